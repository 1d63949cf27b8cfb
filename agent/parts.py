"""What hangs on a running agent: who hears its events, answers its asks, works beside it.

A part is joined once, in `agent.joining`. Its fault stays its own: hearing that raises is logged,
and the next part hears the event all the same; work that ends by a fault is begun again.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, field

import structlog

from agent.control import Ask
from drivers.base import Clock
from policies.events import Event

log = structlog.get_logger()

RESTART_S = 1.0
"""How long a part whose work failed rests before it is begun again, in s."""


@dataclass(slots=True)
class Parts:
    """Parts by name, in the order in which they were joined.

    Attributes:
        hearers: told each event as it is folded, on the loop; must not block.
        asks: what the control socket answers, by name.
        jobs: work for as long as the agent runs.
        closings: ends of parts, the last one joined first.
    """

    hearers: dict[str, Callable[[Event], None]] = field(default_factory=dict)
    asks: dict[str, Ask] = field(default_factory=dict)
    jobs: dict[str, Callable[[], Awaitable[None]]] = field(default_factory=dict)
    closings: dict[str, Callable[[], Awaitable[None]]] = field(default_factory=dict)

    def join(
        self,
        name: str,
        *,
        hear: Callable[[Event], None] | None = None,
        asks: Mapping[str, Ask] | None = None,
        run: Callable[[], Awaitable[None]] | None = None,
        close: Callable[[], Awaitable[None]] | None = None,
    ) -> None:
        """Join a part; each of the four is what it has of it.

        Args:
            name: for the log, and once only.
            hear: one of the hearers.
            asks: its asks; nobody else answers these.
            run: one of the jobs.
            close: one of the closings.
        """
        assert name not in self.hearers and name not in self.jobs, f"{name} is joined already"
        twice = self.asks.keys() & (asks or {}).keys()
        assert not twice, f"two parts answer {twice}"
        if hear is not None:
            self.hearers[name] = hear
        self.asks.update(asks or {})
        if run is not None:
            self.jobs[name] = run
        if close is not None:
            self.closings[name] = close

    def hear(self, event: Event) -> None:
        """Tell every part of an event."""
        for name, hear in self.hearers.items():
            try:
                hear(event)
            except Exception:  # one of the outermost loops
                log.exception("failed_hearing", part=name, kind=type(event).__name__)

    async def close(self) -> None:
        """End the parts, the last one first; the fault of one keeps no other from its end."""
        for name, close in reversed(self.closings.items()):
            try:
                await close()
            except Exception:  # as above
                log.exception("failed_closing", part=name)


async def kept_up(name: str, run: Callable[[], Awaitable[None]], *, clock: Clock) -> None:
    """Run something until it ends by itself; begin it again whenever it fails."""
    while True:
        try:
            await run()
        except Exception:  # one of the outermost loops
            log.exception("failed_job", job=name)
            await clock.sleep(RESTART_S)
        else:
            return
