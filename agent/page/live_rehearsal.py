"""The page on which a rehearsal is watched, and the last one looked at again."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

import structlog
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from agent.page.door import Door
from agent.page.live_parts import LiveParts, Parts
from agent.page.view_frame import Frame
from agent.page.view_rehearsal import Track, order_lines, result_view, track_view
from agent.pictures.ride_picture import NARROW, WIDE, ride_picture
from agent.pictures.ride_view import RideView

log = structlog.get_logger()

LOOK_EVERY_S = 0.5
LOOK_SELDOM_S = 3.0
_AFTER_FAILURE_S = 5.0


class LiveRehearsal:
    """Shows the rehearsal under way, or the last one; asked for only while somebody looks."""

    def __init__(self, door: Door, frame: Frame) -> None:
        """Prepare; `run` begins."""
        self._door, self._frame = door, frame
        self._shown = LiveParts(release=frame.release)
        self._track: Track | None = None

    @property
    def routes(self) -> list[Route]:
        """The addresses it answers at."""
        return [Route("/rehearsal", self._page), Route("/rehearsal/live", self._events)]

    async def run(self) -> None:
        """Follow it for ever; cancel to end."""
        while True:
            await self._shown.watched()
            try:
                is_over = await self._look()
            except Exception:  # the page does without this change
                log.exception("failed_page_part")
                await self._door.clock.sleep(_AFTER_FAILURE_S)
            else:
                await self._door.clock.sleep(LOOK_SELDOM_S if is_over else LOOK_EVERY_S)

    async def _page(self, request: Request) -> Response:
        await self._look()
        return self._frame.page(
            "rehearsal.html",
            site=self._door.engine.site.name,
            mark=self._shown.mark,
            parts=self._shown.parts,
            may_begin="rehearse" in self._door.asks,
        )

    async def _events(self, request: Request) -> Response:
        return self._shown.answer(request, lambda: None)

    async def _look(self) -> bool:
        """Draw how far it is; return whether it is over, or there is none."""
        answer = await self._door.last_rehearsal()
        self._shown.put(self._parts(answer))
        return answer is None or bool(answer["done"])

    def _parts(self, answer: Mapping[str, Any] | None) -> Parts:
        if answer is None:
            return self._drawn("There was no rehearsal yet.", None, (), ())
        if answer["result"] is not None:
            return self._over(answer["result"], answer["compared"])
        return self._under_way(answer)

    def _over(self, result: Mapping[str, Any], compared: Mapping[str, Any] | None) -> Parts:
        zone = self._door.zone
        begins = datetime.fromisoformat(str(result["begins"])).astimezone(zone)
        failed = f"Mains failed in it on {begins:%Y-%m-%d} at {begins:%H:%M}"
        # The first half answers; whom somebody would have to start may be a long list.
        head, _, rest = str(result["sentence"]).partition("; ")
        return self._drawn(
            f"Rehearsed: {head}.",
            result_view(result, zone, self._door.engine.site),
            order_lines(result["orders"], begins, zone),
            () if compared is None else tuple(compared["sentences"]),
            f"{_capital(rest)}{failed}; {result['who']} began it.",
            tuple(result["remarks"]),
        )

    def _under_way(self, answer: Mapping[str, Any]) -> Parts:
        zone, progress = self._door.zone, answer["progress"]
        if answer["done"]:
            return self._drawn(f"The rehearsal did not end: {answer['why']}.", None, (), ())
        if self._track is None or self._track.name != answer["name"]:
            self._track = Track(answer["name"])
        if progress is None:
            return self._drawn("A rehearsal begins.", None, (), (), may_end=True)
        self._track.take(progress)
        begins = datetime.fromisoformat(str(answer["begins"])).astimezone(zone)
        view = track_view(self._track, begins, self._door.engine.site)
        is_away = "mains is away" if progress["mains_away"] else "mains is there"
        orders = order_lines(progress["orders"], begins, zone)
        head = f"A rehearsal is under way: {is_away}."
        return self._drawn(head, view, orders, (), view.description, may_end=True)

    def _drawn(
        self,
        head: str,
        view: RideView | None,
        orders: Any,
        compared: tuple[str, ...],
        why: str = "",
        remarks: tuple[str, ...] = (),
        *,
        may_end: bool = False,
    ) -> Parts:
        pictures = None
        if view is not None:
            pictures = {
                "wide": ride_picture(view, layout=WIDE, name="wide", is_alone=False),
                "narrow": ride_picture(view, layout=NARROW, name="narrow", is_alone=False),
            }
        part = self._frame.part
        return {
            "said": part(
                "rehearsed_said.html", head=head, why=why, remarks=remarks, may_end=may_end
            ),
            "ride": part("rehearsed_ride.html", pictures=pictures),
            "compared": part("rehearsed_compared.html", compared=compared),
            "orders": part("rehearsed_orders.html", orders=orders),
        }


def _capital(rest: str) -> str:
    return f"{rest[0].upper()}{rest[1:]}. " if rest else ""
