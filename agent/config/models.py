"""The tables of the file as pydantic models: strict, frozen, durations and secrets as people write.

Each rule here needs nothing but its own table; what needs two of them is in `rules`. The tables of
notices are in `notice_tables`, what several tables share in `fields`.
"""

from __future__ import annotations

from datetime import date
from enum import StrEnum
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from agent.config.contacts import ContactTable
from agent.config.fields import (
    Address,
    GradeSpan,
    Listen,
    Name,
    Names,
    Percent,
    Positive,
    Share,
    SomeSpan,
    Span,
    Url,
    Watts,
    is_ip_address,
    is_loopback,
    listen_at,
    one_word,
    page_names,
    refusal,
    source_map,
    time_zone,
)
from agent.config.notice_tables import NoticesTable
from drivers.settings import Duration, Secret, Settings
from drivers.transports.snmp_settings import SnmpSettings
from policies.grades import DRILLED_LASTS_S, LOGIN_CHECKED_LASTS_S
from policies.model import CABLE_M, POE_EFFICIENCY, Chemistry, OutputSource, Role, Starts, WhenLost

__all__ = ["is_ip_address", "is_loopback", "listen_at", "one_word", "refusal"]  # beside the tables


class PlaceTable(Settings):
    """`place`: where the site lies, in degrees; north and east are positive."""

    latitude: Annotated[float, Field(ge=-90, le=90, allow_inf_nan=False)]
    longitude: Annotated[float, Field(ge=-180, le=180, allow_inf_nan=False)]


class SiteTable(Settings):
    """`[site]`."""

    name: Annotated[Name, Field(examples=['name = "Quayside boatyard"'])]
    time_zone: Annotated[
        str, AfterValidator(time_zone), Field(examples=['time_zone = "Europe/Lisbon"'])
    ]
    place: PlaceTable | None = None
    reserve: Annotated[float, Field(ge=0, lt=1, allow_inf_nan=False)] = 0.2


class TrapsTable(Settings):
    """`traps`: where the unit's notifications are heard."""

    listen: Annotated[Listen, Field(examples=['listen = "0.0.0.0:162"'])]


class AgentTable(Settings):
    """`[agent]`."""

    box: Name | None = None
    state: Annotated[str, Field(min_length=1)] | None = None
    poll_on_mains: Annotated[Duration, Field(ge=0.1, le=300)] = 10.0
    poll_on_battery: Annotated[Duration, Field(ge=0.1, le=60)] = 2.0
    floor_after: SomeSpan = 300.0
    check_logins_at: Annotated[str, Field(pattern=r"^([01][0-9]|2[0-3]):[0-5][0-9]$")] | None = None
    drilled_lasts: GradeSpan = DRILLED_LASTS_S
    login_checked_lasts: GradeSpan = LOGIN_CHECKED_LASTS_S
    traps: TrapsTable | None = None


class RatingTable(Settings):
    """`rating`: what the unit can carry."""

    va: Positive
    watts: Positive

    @model_validator(mode="after")
    def _watts_fit(self) -> Self:
        if self.watts > self.va:
            raise refusal(
                "rating-swapped",
                "a unit cannot carry more watts than volt-amperes",
                "write both as its plate has them",
            )
        return self


class RunTable(Settings):
    """One figure of `runtimes`: a full battery carries so much for so long."""

    watts: Positive
    lasts: SomeSpan


class BatteryTable(Settings):
    """`battery`: at least one figure of what it holds."""

    volts: Annotated[float, Field(gt=0, le=1000, allow_inf_nan=False)] | None = None
    amp_hours: Positive | None = None
    watt_hours: Positive | None = None
    runtimes: list[RunTable] = Field(default_factory=list)
    chemistry: Annotated[Chemistry, BeforeValidator(one_word(Chemistry))] = Chemistry.LEAD_ACID
    fitted: date | None = None
    temperature_c: Annotated[float, Field(ge=-40, le=80, allow_inf_nan=False)] = 25.0
    runs: Annotated[str, Field(min_length=1)] | None = None
    fit: Annotated[str, Field(min_length=1)] | None = None

    @model_validator(mode="after")
    def _has_a_figure(self) -> Self:
        if (self.volts is None) != (self.amp_hours is None):
            missing = "volts" if self.volts is None else "amp_hours"
            raise refusal(
                "battery-unknown",
                "volts and amp_hours go together",
                f"add {missing} = …, of the whole battery",
            )
        if self.volts is None and self.watt_hours is None and not self.runtimes:
            raise refusal(
                "battery-unknown",
                "nothing says how much the battery holds",
                'add volts = 36, amp_hours = 7; or runtimes = [{ watts = 40, lasts = "3h" }]',
            )
        if len({run.watts for run in self.runtimes}) != len(self.runtimes):
            raise refusal(
                "duplicate-name", "two runtimes are given for the same watts", "keep the shorter"
            )
        return self


class LostTable(Settings):
    """`lost`: what to do when the unit no longer answers."""

    on_mains: Annotated[WhenLost, BeforeValidator(one_word(WhenLost))] = WhenLost.ALARM
    on_battery: Annotated[WhenLost, BeforeValidator(one_word(WhenLost))] = WhenLost.CARRY_ON
    after: SomeSpan = 30.0
    stop_after: Span = 120.0


class OutputTable(Settings):
    """`output`: that the unit's own output may be switched, and how; without it, it never is."""

    drops_after: Annotated[Duration, Field(ge=30, le=1800)] = 120.0
    off_for: Annotated[Duration, Field(ge=30, le=1800)] = 60.0
    unmetered: bool = False
    clear_text: bool = False
    snmp: SnmpSettings | None = None


class MonthlyTable(Settings):
    """When something is due each month, by the site's clock."""

    on: Annotated[int, Field(ge=1, le=28, examples=["on = 1"])]
    at: Annotated[str, Field(pattern=r"^([01][0-9]|2[0-3]):[0-5][0-9]$")] = "09:00"


class SelfTestTable(MonthlyTable):
    """`self_test`: that the unit may be told to test its battery; without it, it never is."""

    snmp: SnmpSettings | None = None


class UnitTable(Settings):
    """`[[unit]]`."""

    name: Annotated[Name, Field(examples=['name = "cabinet"'])]
    address: Annotated[Address, Field(examples=['address = "192.0.2.10"'])]
    snmp: Annotated[
        SnmpSettings,
        Field(examples=['snmp = { version = "2c", community = { file = "community" } }']),
    ]
    rating: Annotated[RatingTable, Field(examples=["rating = { va = 1000, watts = 700 }"])]
    battery: Annotated[BatteryTable, Field(examples=["battery = { volts = 36, amp_hours = 7 }"])]
    path: Names = ()
    output_source_map: Annotated[dict[int, OutputSource], BeforeValidator(source_map)] = Field(
        default_factory=dict
    )
    flicker: Span = 10.0
    lost: LostTable = LostTable()
    min_load: Watts = 0.0
    output: OutputTable | None = None
    self_test: SelfTestTable | None = None


class StopWhenTable(Settings):
    """`stop_when`: an owner's own thresholds; any one suffices."""

    runtime_below: SomeSpan | None = None
    charge_below: Annotated[float, Field(ge=1, le=100, allow_inf_nan=False)] | None = None
    on_battery_for: SomeSpan | None = None

    @model_validator(mode="after")
    def _has_one(self) -> Self:
        if self.runtime_below is self.charge_below is self.on_battery_for is None:
            raise refusal(
                "threshold-never-met",
                "no threshold is given",
                'write one, like { runtime_below = "12m" }, or remove stop_when',
            )
        return self


class DeviceTable(Settings):
    """`[[device]]`, without the tables of its stages and drivers: `fittings` reads those."""

    name: Annotated[Name, Field(examples=['name = "gate recorder"'])]
    role: Annotated[Role, BeforeValidator(one_word(Role))] = Role.OTHER
    address: Address = ""
    watts: Watts | None = None
    night_watts: Watts | None = None
    boot_watts: Watts | None = None
    power_factor: Share | None = None
    cable_m: Annotated[float, Field(ge=0, le=1000, allow_inf_nan=False)] = CABLE_M
    poe_efficiency: Share = POE_EFFICIENCY
    poe_watts: Positive | None = None
    feed: Annotated[Names, Field(examples=['feed = "…", the unit or device that powers it'])]
    path: Names = ()
    needs: Names = ()
    hold: Span = 0.0
    worth: Annotated[float, Field(ge=0, le=1e6, allow_inf_nan=False)] | None = None
    stop_when: StopWhenTable | None = None
    no_touch: bool = False
    dry_run: bool = False


class StageTable(Settings):
    """What the file itself says of a stage; the rest of its table is the driver's.

    Attributes:
        cuts: of `stop`: whether it takes the device's power away, as a managed outlet does; None =
            as its driver does by its nature.
    """

    driver: Annotated[str, Field(min_length=1, examples=['driver = "ssh"'])]
    takes: SomeSpan | None = None
    cuts: bool | None = None


class WritersTable(Settings):
    """`quiesce` of a recorder without an interface: what needs it is brought to rest.

    Attributes:
        takes: what it is given then to write out.
    """

    writers: Literal["off"]
    takes: SomeSpan | None = None


START_WORDS = (Starts.BY_ITSELF.value, Starts.BY_HAND.value)
"""What `start` may say in place of a table."""


class ReturnTable(Settings):
    """`[return]`: when devices are started again."""

    mains_steady: Span = 120.0
    charge: Percent = 30.0


class PlanTable(Settings):
    """`[plan]`: how it is planned what to give up, and when."""

    horizon: SomeSpan = 8 * 3600.0
    patience: Span = 120.0


class OwedCopyTable(Settings):
    """One of `copies`: a file on another disk, or a web address."""

    file: Annotated[str, Field(min_length=1)] | None = None
    url: Url | None = None
    method: Literal["PUT", "POST"] = "PUT"
    secret: Secret | None = None

    @model_validator(mode="after")
    def _is_one_place(self) -> Self:
        if (self.file is None) == (self.url is None):
            raise refusal(
                "owed-copy-place",
                "a copy goes to one place, a file or a web address",
                'write { file = "/mnt/share/owed.txt" } or { url = "https://example.net/owed" }',
            )
        if self.file is not None and self.secret is not None:
            raise refusal(
                "owed-copy-place", "a file is not signed", "remove secret, which goes with url"
            )
        return self


class OwedTable(Settings):
    """`[owed]`: where the list of what is to be undone goes besides the state directory."""

    copies: list[OwedCopyTable] = Field(default_factory=list)


class PageReading(StrEnum):
    """Who may look at the page."""

    OPEN = "open"
    SIGNED_IN = "signed in"


class PageTable(Settings):
    """`[page]`: where the page listens, and who may look.

    Attributes:
        names: what it is called in a browser besides its address: requests by other names are
            refused, since a web site elsewhere could have a browser send them.
        certificate: its own, with the chain; None = one that is made here, off loopback.
        clear_text: no TLS, though others on the network can then read passwords.
        reading: None = open on loopback, signed in elsewhere.
    """

    listen: Listen = "127.0.0.1:8628"
    names: Annotated[Names, AfterValidator(page_names)] = ()
    certificate: Annotated[str, Field(min_length=1)] | None = None
    key: Annotated[str, Field(min_length=1)] | None = None
    clear_text: bool = False
    reading: Annotated[PageReading, BeforeValidator(one_word(PageReading))] | None = None

    @model_validator(mode="after")
    def _is_safe(self) -> Self:
        if (self.certificate is None) != (self.key is None):
            missing = "certificate" if self.certificate is None else "key"
            raise refusal(
                "page-certificate", "certificate and key go together", f"add {missing} = …"
            )
        if self.clear_text and self.certificate is not None:
            raise refusal(
                "page-certificate",
                "clear text has no use for a certificate",
                "remove clear_text, or certificate and key",
            )
        if self.reading is PageReading.OPEN and not is_loopback(self.listen):
            raise refusal(
                "page-open",
                "whoever reaches this address would see the site",
                'write reading = "signed in", or listen on loopback alone',
            )
        return self


class AttendedTable(Settings):
    """`attended`: when somebody is at the site who can help."""

    days: Annotated[
        list[Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]],
        Field(min_length=1, examples=['days = ["mon", "tue"]']),
    ]
    from_: Annotated[str, Field(alias="from", pattern=r"^([01][0-9]|2[0-3]):[0-5][0-9]$")]
    to: Annotated[str, Field(pattern=r"^([01][0-9]|2[0-3]):[0-5][0-9]$")]

    @model_validator(mode="after")
    def _is_a_stretch(self) -> Self:
        if self.from_ >= self.to:
            raise refusal(
                "attended-backwards",
                "the attended hours end before they begin",
                'write them within one day, such as from = "08:00", to = "18:00"',
            )
        return self


class ScheduleTable(Settings):
    """`[schedule]`: regular work; what is left out is not done."""

    attended: AttendedTable | None = None
    digest: MonthlyTable | None = None
    rehearsal: MonthlyTable | None = None
    battery_age: MonthlyTable | None = None


class FileTable(Settings):
    """The whole file; units and devices one by one, so that one's fault hides no other's."""

    format: Annotated[int, Field(examples=["format = 1"])]
    base: Annotated[str, Field(min_length=1)] | None = None
    without: Names = ()
    site: Annotated[SiteTable, Field(examples=["a table [site]"])]
    agent: AgentTable = AgentTable()
    unit: Annotated[
        list[dict[str, Any]],
        Field(min_length=1, examples=["a table [[unit]] for each backup unit"]),
    ]
    device: list[dict[str, Any]] = Field(default_factory=list)
    return_: Annotated[ReturnTable, Field(alias="return")] = ReturnTable()
    plan: PlanTable = PlanTable()
    notices: NoticesTable = NoticesTable()
    owed: OwedTable = OwedTable()
    page: PageTable | None = None
    schedule: ScheduleTable = ScheduleTable()
    contact: list[ContactTable] = Field(default_factory=list)
