"""From the file's tables to the words of the policies and the agent's own settings; no I/O."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, time
from pathlib import Path
from zoneinfo import ZoneInfo

from agent.config.fittings import DeviceDrivers
from agent.config.models import (
    AgentTable,
    AttendedTable,
    BatteryTable,
    DeviceTable,
    FileTable,
    MonthlyTable,
    OutputTable,
    PageReading,
    PageTable,
    ScheduleTable,
    SelfTestTable,
    StopWhenTable,
    UnitTable,
    is_loopback,
    listen_at,
)
from agent.config.notice_tables import NoticesTable
from agent.config.site import (
    AgentSettings,
    OwedCopy,
    PageSettings,
    RegularWork,
    SelfTestAccess,
    UnitAccess,
)
from agent.regular.due_times import DAYS, Attended, Rule
from drivers.base import Stage
from policies.grades import Lasts
from policies.model import (
    Battery,
    Device,
    OutputControl,
    Place,
    Role,
    RunPoint,
    Site,
    Starts,
    StopWhen,
    Unit,
)

_YEAR_DAYS = 365.25


def unit_of(table: UnitTable, today: date) -> Unit:
    """Return the unit as the policies know it; *today* gives its battery an age."""
    return Unit(
        name=table.name,
        rating_va=table.rating.va,
        rating_w=table.rating.watts,
        battery=_battery(table.battery, today),
        flicker_s=table.flicker,
        lost_after_s=table.lost.after,
        lost_stop_after_s=table.lost.stop_after,
        when_lost_on_mains=table.lost.on_mains,
        when_lost_on_battery=table.lost.on_battery,
        min_load_w=table.min_load,
        path=table.path,
        output=None if table.output is None else _output(table.output),
    )


def _output(table: OutputTable) -> OutputControl:
    return OutputControl(
        drops_after_s=table.drops_after, off_for_s=table.off_for, unmetered=table.unmetered
    )


def _battery(table: BatteryTable, today: date) -> Battery:
    runs = sorted((RunPoint(run.watts, run.lasts) for run in table.runtimes), key=lambda r: r.watts)
    age_days = None if table.fitted is None else (today - table.fitted).days
    return Battery(
        volts=table.volts,
        amp_hours=table.amp_hours,
        watt_hours=table.watt_hours,
        table=tuple(runs),
        chemistry=table.chemistry,
        age_years=None if age_days is None else max(0, age_days) / _YEAR_DAYS,
        temperature_c=table.temperature_c,
    )


def access_of(table: UnitTable, base: Path) -> UnitAccess:
    """Return how the unit is spoken with; *base* is the folder of the file."""
    return UnitAccess(
        address=table.address,
        snmp=table.snmp,
        output_sources=table.output_source_map,
        path=table.path,
        control=None if table.output is None else table.output.snmp or table.snmp,
        self_test=None if table.self_test is None else _self_test(table, table.self_test),
        runs=None if table.battery.runs is None else base / table.battery.runs,
        fit=None if table.battery.fit is None else base / table.battery.fit,
    )


def worth_of(table: DeviceTable, tables: Mapping[str, DeviceTable]) -> float:
    """Return what an hour of a device is worth, where the file does not say so.

    A camera is worth what the recorder is that it needs: one that records nothing is worth nothing,
    so its cameras must not be what gives way to it first.
    """
    if table.worth is not None:
        return table.worth
    served = [tables[name] for name in table.needs if name in tables]
    recorders = [1.0 if t.worth is None else t.worth for t in served if t.role is Role.RECORDER]
    return max(recorders, default=1.0) if table.role is Role.CAMERA else 1.0


def device_of(table: DeviceTable, drivers: DeviceDrivers, *, worth: float) -> Device:
    """Return the device as the policies know it.

    What is told nothing, itself or through its writers, starts by itself when power comes; what is
    stopped, and no word says how it comes back, is left to a hand.
    """
    takes_s = drivers.takes_s
    is_passive = Stage.STOP not in takes_s and Stage.QUIESCE not in takes_s
    is_left = is_passive or (drivers.by_writers and Stage.STOP not in takes_s)
    unsaid = Starts.BY_ITSELF if is_left else Starts.BY_HAND
    watts = table.watts or 0.0
    return Device(
        name=table.name,
        role=table.role,
        watts=watts,
        night_watts=watts if table.night_watts is None else table.night_watts,
        feeds=table.feed,
        path=table.path,
        needs=table.needs,
        hold_s=table.hold,
        worth=worth,
        stop_when=None if table.stop_when is None else _stop_when(table.stop_when),
        no_touch=table.no_touch,
        dry_run=table.dry_run,
        quiesce_s=takes_s.get(Stage.QUIESCE),
        stop_s=_longest(takes_s.get(Stage.STOP), takes_s.get(Stage.STOP_ELSE)),
        settle_s=drivers.settle_s,
        starts=unsaid if drivers.starts is None else drivers.starts,
        start_s=takes_s.get(Stage.START, 0.0),
        boot_watts=table.boot_watts,
        power_factor=table.power_factor,
        cable_m=table.cable_m,
        poe_efficiency=table.poe_efficiency,
        poe_watts=table.poe_watts,
        is_cut=drivers.is_cut,
        by_writers=drivers.by_writers,
        can_restore=drivers.can_restore,
        cut_s=takes_s.get(Stage.CUT),
    )


def _longest(first_s: float | None, second_s: float | None) -> float | None:
    """What a stop takes by whichever of its ways; None where there is none."""
    return first_s if first_s is None or second_s is None else max(first_s, second_s)


def _stop_when(table: StopWhenTable) -> StopWhen:
    return StopWhen(
        runtime_below_s=table.runtime_below,
        charge_below=None if table.charge_below is None else table.charge_below / 100.0,
        on_battery_for_s=table.on_battery_for,
    )


def site_of(table: FileTable, units: dict[str, Unit], devices: dict[str, Device]) -> Site:
    """Return the site as the policies know it."""
    return Site(
        name=table.site.name,
        units=units,
        devices=devices,
        reserve=table.site.reserve,
        mains_steady_s=table.return_.mains_steady,
        return_charge=table.return_.charge / 100.0,
        floor_after_s=table.agent.floor_after,
        horizon_s=table.plan.horizon,
        patience_s=table.plan.patience,
        way_out=way_out_of(table.notices, devices),
        notices_s=table.notices.path_waits,
    )


def agent_of(table: AgentTable, devices: dict[str, Device], base: Path) -> AgentSettings:
    """Return the agent's settings; its box is the one device of that role, if none is named."""
    boxes = [name for name, device in devices.items() if device.role is Role.AGENT_BOX]
    return AgentSettings(
        box=table.box or (boxes[0] if len(boxes) == 1 else None),
        state=None if table.state is None else base / table.state,
        poll_on_mains_s=table.poll_on_mains,
        poll_on_battery_s=table.poll_on_battery,
        traps=None if table.traps is None else listen_at(table.traps.listen),
        check_logins_at=(
            None if table.check_logins_at is None else time.fromisoformat(table.check_logins_at)
        ),
        grades_last=Lasts(table.drilled_lasts, table.login_checked_lasts),
    )


def _self_test(unit: UnitTable, table: SelfTestTable) -> SelfTestAccess:
    return SelfTestAccess(Rule(time.fromisoformat(table.at), table.on), table.snmp or unit.snmp)


def _attended(table: AttendedTable | None) -> Attended | None:
    if table is None:
        return None
    return Attended(
        frozenset(DAYS.index(day) for day in table.days),
        time.fromisoformat(table.from_),
        time.fromisoformat(table.to),
    )


def schedule_of(table: ScheduleTable) -> RegularWork:
    """Return when regular work is due."""
    return RegularWork(
        attended=_attended(table.attended),
        digest=_monthly(table.digest),
        rehearsal=_monthly(table.rehearsal),
        battery_age=_monthly(table.battery_age),
    )


def _monthly(table: MonthlyTable | None) -> Rule | None:
    return None if table is None else Rule(time.fromisoformat(table.at), table.on)


def place_of(table: FileTable) -> Place | None:
    """Return where the site lies, or None."""
    place = table.site.place
    return None if place is None else Place(place.latitude, place.longitude)


def way_out_of(table: NoticesTable, devices: Mapping[str, Device]) -> frozenset[str]:
    """Return the devices that notices go through; none where nobody is told anything."""
    if not table.has_receivers:
        return frozenset()
    if table.path is not None:
        return frozenset(table.path)
    return frozenset(n for n, d in devices.items() if d.role in (Role.ROUTER, Role.MODEM))


def zone_of(table: FileTable) -> ZoneInfo:
    """Return the site's time zone."""
    return ZoneInfo(table.site.time_zone)


def owed_copies_of(table: FileTable, base: Path) -> tuple[OwedCopy, ...]:
    """Return where the list of what is owed goes; *base* is the folder of the file."""
    return tuple(
        OwedCopy(
            file=None if copy.file is None else base / copy.file,
            url=copy.url or "",
            method=copy.method,
            secret=copy.secret,
        )
        for copy in table.owed.copies
    )


def page_of(table: PageTable, base: Path) -> PageSettings:
    """Return how the page is served: off loopback with TLS and a sign-in, if nothing is said."""
    listen = listen_at(table.listen)
    is_local = is_loopback(table.listen)
    return PageSettings(
        listen=listen,
        names=table.names,
        certificate=None if table.certificate is None else base / table.certificate,
        key=None if table.key is None else base / table.key,
        has_tls=table.certificate is not None or not (is_local or table.clear_text),
        open_reading=is_local if table.reading is None else table.reading is PageReading.OPEN,
    )
