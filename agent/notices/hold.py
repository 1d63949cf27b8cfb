"""Which stops wait for notices to get out, and until when."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import structlog

from policies.model import Order, Site
from policies.telling import hold_until_at
from policies.timeline import Timeline
from policies.way_out import way_out_of

log = structlog.get_logger()


class PathHold:
    """Holds back the stops of what notices go through, while some wait; see `policies.telling`."""

    def __init__(
        self, site: Site, *, waits: Callable[[], bool], hurry: Callable[[], None] = lambda: None
    ) -> None:
        """Take the site, and who knows of notices.

        Args:
            site: whose way out it is.
            waits: whether some are to get out yet.
            hurry: has them sent at once.
        """
        self._site = site
        self._waits = waits
        self._hurry = hurry
        self._due_at: dict[str, float] = {}

    def __call__(
        self, orders: Sequence[Order], course: Timeline, now: float
    ) -> Mapping[str, float]:
        """Return which of the devices that are to be told now wait, and until when; times in s."""
        way = way_out_of(self._site)
        due = {order.device: order for order in orders if order.device in way}
        self._due_at = {name: at for name, at in self._due_at.items() if name in due}
        if not due:
            return {}
        self._hurry()
        if not self._waits():
            return {}
        held: dict[str, float] = {}
        for name, order in due.items():
            is_new = name not in self._due_at
            due_at = self._due_at.setdefault(name, now)
            until_at = hold_until_at(self._site, course, order, due_at=due_at)
            if until_at > now:
                held[name] = until_at
                if is_new:
                    log.info("held_order", device=name, for_s=round(until_at - now, 1))
        return held
