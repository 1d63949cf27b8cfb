"""The state as events are folded into it, whatever becomes of the fold."""

from __future__ import annotations

from collections.abc import Callable

import structlog

from policies.events import Event, OrderGiven, PollMissed, ReadingTaken, SupplyJudged
from policies.model import Site
from policies.state import SiteState

log = structlog.get_logger()

Fold = Callable[[Site, SiteState, Event], SiteState]


class Ledger:
    """Folds events; one that cannot be folded leaves the state as it was, and is remembered.

    Attributes:
        state: the fold of all events but those.
    """

    def __init__(
        self, site: Site, state: SiteState, *, fold: Fold, on_event: Callable[[Event], None]
    ) -> None:
        """Begin with *state*; *on_event* is told each event, folded or not, and must not block."""
        self.state = state
        self._site = site
        self._fold = fold
        self._on_event = on_event
        self._errors: dict[str, Exception] = {}

    @property
    def error(self) -> Exception | None:
        """Why the state is not what the events say; None = it is, as far as anybody knows.

        The fault of one unit or device is over with its next event that can be folded.
        """
        return next(iter(self._errors.values()), None)

    def fold(self, event: Event) -> bool:
        """Fold an event; False = it could not be."""
        about = _about(event)
        try:
            self.state = self._fold(self._site, self.state, event)
        except Exception as error:  # beneath a failing fold there is the floor
            if about not in self._errors:
                log.exception("failed_fold", kind=type(event).__name__)
            self._errors[about] = error
        else:
            self._errors.pop(about, None)
        try:
            self._on_event(event)
        except Exception as error:  # whoever listens is no part of what holds the site
            log.error("failed_listener", kind=type(event).__name__, error=repr(error))
        return about not in self._errors


def _about(event: Event) -> str:
    """The unit or device that an event is of, "" for the site as a whole."""
    match event:
        case ReadingTaken(reading=reading):
            return reading.unit
        case OrderGiven(order=order):
            return order.device
        case PollMissed(unit=name) | SupplyJudged(unit=name):
            return name
        case _:
            return getattr(event, "device", "")
