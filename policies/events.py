"""What can happen to a site, as the journal keeps it: the words, without what they mean."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from enum import StrEnum

from policies.model import Order, Reading, Task
from policies.night import Light
from policies.output_state import OutputTask
from policies.supply import Supply


class Ending(StrEnum):
    """How an order ended."""

    AT_REST = "at rest"
    RUNNING = "running"  # a start that worked
    FAILED = "failed"  # its device is given up, loudly
    WITHDRAWN = "withdrawn"  # before its first step
    ASSUMED = "assumed"  # dry run: nothing was sent


@dataclass(frozen=True, slots=True)
class ReadingTaken:
    """A unit answered a poll."""

    at: float
    reading: Reading


@dataclass(frozen=True, slots=True)
class PollMissed:
    """A unit did not answer a poll."""

    at: float
    unit: str
    why: str


@dataclass(frozen=True, slots=True)
class OrderGiven:
    """An order was decided; flushed before anything goes out."""

    at: float
    order_id: str
    order: Order


@dataclass(frozen=True, slots=True)
class StepBegan:
    """The intent of one act at a device; without its StepEnded it is in doubt."""

    at: float
    order_id: str
    device: str
    act: str


@dataclass(frozen=True, slots=True)
class StepEnded:
    """The outcome of one act, with its evidence and what went over the wire, secrets masked."""

    at: float
    order_id: str
    device: str
    act: str
    verdict: str
    evidence: str
    advice: str = ""
    sent: tuple[str, ...] = ()
    took_s: float = 0.0


@dataclass(frozen=True, slots=True)
class SettingRemembered:
    """What a device was set to, kept before a stage first changes it, until that is undone.

    Attributes:
        stage: "quiesce", "stop" or "cut".
        was: in its driver's own words.
    """

    at: float
    order_id: str
    device: str
    stage: str
    was: str


@dataclass(frozen=True, slots=True)
class OrderClosed:
    """What came of an order as a whole."""

    at: float
    order_id: str
    device: str
    task: Task
    ending: Ending
    evidence: str


@dataclass(frozen=True, slots=True)
class DeviceSeen:
    """A device taken to be off or given up was seen running: it started by itself, or by hand."""

    at: float
    device: str
    evidence: str


@dataclass(frozen=True, slots=True)
class PauseSet:
    """Maintenance: no automatic orders until then; a time not after `at` ends it."""

    at: float
    until_at: float
    who: str


@dataclass(frozen=True, slots=True)
class SupplyJudged:
    """For people: what the readings of a unit came to mean. The fold judges for itself."""

    at: float
    unit: str
    supply: Supply
    why: str


@dataclass(frozen=True, slots=True)
class NoticeRaised:
    """For people: something that somebody should know; severity is info, warning or error.

    Attributes:
        topic: a word of `telling.Topic`; "" = by its severity, see `telling.topic_of`.
    """

    at: float
    severity: str
    about: str
    text: str
    topic: str = ""


@dataclass(frozen=True, slots=True)
class NoticesSilenced:
    """Somebody wants no notices of a topic, or about something, for a while.

    Attributes:
        topic: a word of `telling.Topic`; "" = any that may be silenced.
        about: the unit, device or part; "" = any.
        until_at: site time, s; not after `at` ends it.
    """

    at: float
    topic: str
    about: str
    until_at: float
    who: str


@dataclass(frozen=True, slots=True)
class AgentStarted:
    """The agent came up; dry_run says that nothing will be sent."""

    at: float
    version: str
    dry_run: bool


@dataclass(frozen=True, slots=True)
class AgentEnded:
    """The agent was asked to end, and stopped no device."""

    at: float
    why: str


@dataclass(frozen=True, slots=True)
class FloorTaken:
    """Fold or decide failed: the floor brings everything to rest by plain dependency order."""

    at: float
    why: str


@dataclass(frozen=True, slots=True)
class BatteryFitted:
    """A unit has another battery: what was learnt of the old one is no guide any more.

    Attributes:
        on: the day it was put in.
        fitted_at: that day as site time, s.
        who: who said so.
        is_first: nothing was known of a battery before; what is missing from it stays known.
    """

    at: float
    unit: str
    on: date
    fitted_at: float
    who: str
    is_first: bool = False


@dataclass(frozen=True, slots=True)
class BatteryMeasured:
    """A discharge taught what the full battery of a unit holds, in Wh, in the warmth it has.

    Attributes:
        low_wh, high_wh: the truth lies between with 90 %.
        how: what it was measured by, for people.
    """

    at: float
    unit: str
    on: date
    energy_wh: float
    low_wh: float
    high_wh: float
    how: str


@dataclass(frozen=True, slots=True)
class BatteryJudged:
    """A battery was found to age, and somebody was told; see `health.Ageing` for the grade."""

    at: float
    unit: str
    grade: str
    why: str


@dataclass(frozen=True, slots=True)
class LoadFound:
    """What a unit measures with everything on, in one light, as an hour showed it.

    Attributes:
        watts: the middle of the hour; step_w, is_share: how finely, see `unexplained.Measured`.
        said_w: what was last said to be unexplained, in W.
        said_at: when, site time; None = never.
    """

    at: float
    unit: str
    light: Light
    watts: float
    step_w: float
    is_share: bool
    said_w: float = 0.0
    said_at: float | None = None


@dataclass(frozen=True, slots=True)
class LightChanged:
    """It grew dark at the site, or light; unknown where its file gives no place.

    Attributes:
        until_at: when it changes again, site time; None = not within days.
    """

    at: float
    light: Light
    until_at: float | None = None


@dataclass(frozen=True, slots=True)
class OutputBegan:
    """The intent to arm or withdraw a unit's output; nothing is sent before it is durable."""

    at: float
    unit: str
    task: OutputTask
    why: str


@dataclass(frozen=True, slots=True)
class OutputArmed:
    """Both countdowns were read back from the unit: it drops, and returns after that."""

    at: float
    unit: str
    drops_at: float
    returns_at: float
    evidence: str


@dataclass(frozen=True, slots=True)
class OutputWithdrawn:
    """No countdown runs at the unit any more; that was read back."""

    at: float
    unit: str
    evidence: str


@dataclass(frozen=True, slots=True)
class OutputFailed:
    """A unit's output could not be armed or withdrawn.

    Attributes:
        drops_at: when it may drop all the same, as far as can be read back; None = it will not.
    """

    at: float
    unit: str
    task: OutputTask
    evidence: str
    drops_at: float | None = None


@dataclass(frozen=True, slots=True)
class OutputDropped:
    """A unit's output went off as it was armed to."""

    at: float
    unit: str
    evidence: str


@dataclass(frozen=True, slots=True)
class OutputReturned:
    """A unit's output is on again after it dropped."""

    at: float
    unit: str
    evidence: str


@dataclass(frozen=True, slots=True)
class BoxLeft:
    """The agent's own box powers itself off, since its power is about to go."""

    at: float
    device: str
    why: str


@dataclass(frozen=True, slots=True)
class BoxStayed:
    """The agent's own box did not power itself off as it was told to."""

    at: float
    device: str
    why: str


@dataclass(frozen=True, slots=True)
class GradeEarned:
    """Something was shown to work at a device.

    Attributes:
        grade: see `grades.Grade`.
        on: the site's day.
        settings: fingerprint of what the site's file says of the device.
    """

    at: float
    device: str
    grade: str
    on: date
    evidence: str
    settings: str = ""


@dataclass(frozen=True, slots=True)
class LoginRefused:
    """A device refused our login; it is not tried again by night until it is another.

    Attributes:
        login: salt and slow hash of it, to know it by.
    """

    at: float
    device: str
    login: str
    evidence: str


@dataclass(frozen=True, slots=True)
class GradeVoided:
    """What was shown to work was shown with other settings than the site's file has now."""

    at: float
    device: str
    grade: str
    why: str


@dataclass(frozen=True, slots=True)
class BeliefHeld:
    """For people: how long a battery in use was believed to last, as it went.

    Attributes:
        lower_s, median_s: from then on, at the load there was.
        quantile: how sure the former is; 0.05 = with 95 % it lasts at least that long.
        load_w: that load.
        left_lower, left_likely: what was left by each, as a share of what is likely when full.
    """

    at: float
    unit: str
    lower_s: float
    median_s: float
    quantile: float
    load_w: float
    left_lower: float
    left_likely: float


@dataclass(frozen=True, slots=True)
class StopForetold:
    """What a plan had in store for one device; see `plan.PlannedStop`. Site times in s."""

    device: str
    why: str
    on_until_at: float
    at_rest_at: float
    hold_until_at: float
    is_in_time: bool = True


@dataclass(frozen=True, slots=True)
class PlanHeld:
    """For people: the first plan of an outage, to hold what came against.

    Attributes:
        made_at: when it was made; outage_at: when mains failed.
        stops: of all devices, in the file's order.
    """

    at: float
    made_at: float
    outage_at: float
    stops: tuple[StopForetold, ...]


@dataclass(frozen=True, slots=True)
class RehearsalBegan:
    """An outage is gone through in which nothing is sent; who asked for it."""

    at: float
    name: str
    who: str


@dataclass(frozen=True, slots=True)
class RehearsalEnded:
    """A rehearsal is over, or was broken off; is_well = all was saved and every hold time kept."""

    at: float
    name: str
    is_well: bool
    why: str


@dataclass(frozen=True, slots=True)
class IdentityPinned:
    """The box and its units are the ones of this site: somebody who was there said so.

    Attributes:
        box: hash that the box is known by, "" = it could not be told from another.
        units: SNMP engine ID in hex, by unit.
        marks: other boxes' marks that units carry, and that are to be passed over.
    """

    at: float
    box: str
    units: Mapping[str, str]
    who: str
    marks: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class WatchOnlySet:
    """Something is not as it was pinned, and no order is given over it; no *why* = it is again.

    Attributes:
        cause: what it concerns, see `policies.identity`.
    """

    at: float
    cause: str
    why: str


@dataclass(frozen=True, slots=True)
class WorkPlanned:
    """Regular work is done from now on; what was due before is not missed."""

    at: float
    work: str
    since: datetime


@dataclass(frozen=True, slots=True)
class WorkDone:
    """Regular work was done, or could not be.

    Attributes:
        due: when it was; is_late: it was done notably later.
        why: what came of it.
    """

    at: float
    work: str
    due: datetime
    is_late: bool
    is_well: bool
    why: str


@dataclass(frozen=True, slots=True)
class SelfTestBegan:
    """A unit is told to test its battery: until then running on it is no outage by itself."""

    at: float
    unit: str
    until_at: float


@dataclass(frozen=True, slots=True)
class SelfTestEnded:
    """A unit's test of its battery is over, or could not be begun.

    Attributes:
        verdict: "passed", "with a warning", "failed", "aborted", "refused" or "not known".
        evidence: what the unit said of it.
    """

    at: float
    unit: str
    verdict: str
    evidence: str


Event = (
    ReadingTaken
    | PollMissed
    | OrderGiven
    | StepBegan
    | StepEnded
    | SettingRemembered
    | OrderClosed
    | DeviceSeen
    | PauseSet
    | SupplyJudged
    | NoticeRaised
    | AgentStarted
    | AgentEnded
    | FloorTaken
    | BatteryFitted
    | BatteryMeasured
    | BatteryJudged
    | LoadFound
    | LightChanged
    | OutputBegan
    | OutputArmed
    | OutputWithdrawn
    | OutputFailed
    | OutputDropped
    | OutputReturned
    | BoxLeft
    | BoxStayed
    | GradeEarned
    | GradeVoided
    | LoginRefused
    | BeliefHeld
    | PlanHeld
    | RehearsalBegan
    | RehearsalEnded
    | WorkPlanned
    | WorkDone
    | SelfTestBegan
    | SelfTestEnded
    | IdentityPinned
    | WatchOnlySet
    | NoticesSilenced
)
