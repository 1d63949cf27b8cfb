"""From a site's file and the command line to the question of `lastwatt size`."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from agent.battery.size import Case, Question, case_of, present_and_larger, present_pack
from agent.cli.budget import NO_PLACE
from agent.cli.site import load_whole
from agent.cli.size import Asked, Told, addition_text, unusable
from agent.config.faults import did_you_mean
from policies.load import listed_draw, load_steps
from policies.model import Chemistry, Site
from policies.runtime import LoadStep, health_at
from policies.sizing import END_OF_LIFE, Pack, Setting, per_watt_hour_of
from policies.what_if import feed_for, with_added, without

if TYPE_CHECKING:
    from agent.battery.fit_store import StoredFit
    from agent.config import LoadedSite
    from policies.draws import Draws

_AHEAD_S = 14 * 86400.0
_YEAR_DAYS = 365.25


def asked_of_site(file: Path, told: Told) -> Asked:
    """Return the question about a unit of the site in *file*.

    Raises:
        CommandError: the file has faults, or what is told does not fit it.
    """
    loaded = load_whole(file, secrets_must_exist=False)
    unit = _unit(loaded.site, told.unit)
    rating = loaded.site.units[unit]
    changed, changes = _changed(loaded.site, unit, told)
    present = present_pack(rating)
    own = setting_of(told, temperature_c=rating.battery.temperature_c)
    before_setting = Setting(temperature_c=rating.battery.temperature_c)
    is_changed = bool(changes) or own != before_setting
    case, load = _case(
        "with the changes" if is_changed else "as it is", loaded, changed, unit, told
    )
    before = _case("as it is", loaded, loaded.site, unit, told)[0] if is_changed else None
    stored_path = loaded.units[unit].fit
    reference, measured, full_runs = reference_of(told, present=present, own_fit=stored_path)
    question = Question(
        case=case,
        target_s=told.hours * 3600.0,
        setting=own,
        packs=lambda needed: _packs(told, present, needed),
        rating_w=rating.rating_w,
        chemistry=Chemistry(told.chemistry or rating.battery.chemistry),
        before=before,
        before_setting=before_setting,
        reference=reference,
    )
    return Asked(
        question,
        title=f"{loaded.site.name}, {unit}",
        load=load,
        changes=(*changes, *_setting_changes(told)),
        assumptions=_assumptions(loaded, told, present),
        measured=measured,
        reserve=loaded.site.reserve,
        full_runs=full_runs,
        rating_va=rating.rating_va,
    )


def _unit(site: Site, named: str | None) -> str:
    if named is not None:
        if named not in site.units:
            fix = did_you_mean(named, site.units)
            raise unusable(f'no unit is called "{named}"', fix)
        return named
    if len(site.units) == 1:
        return next(iter(site.units))
    names = ", ".join(f'--unit "{name}"' for name in site.units)
    raise unusable("the site has several units", f"say which one: {names}")


def _changed(site: Site, unit: str, told: Told) -> tuple[Site, tuple[str, ...]]:
    changes = []
    try:
        for name in told.dropped:
            if name not in site.devices:
                fix = did_you_mean(name, site.devices)
                raise unusable(f'no device is called "{name}"', fix)
        site, gone = without(site, told.dropped)
        if gone:
            changes.append(f"without {', '.join(gone)}")
        for addition in told.added:
            feed = feed_for(site, addition, unit=unit)
            site = with_added(site, addition, unit=unit)
            changes.append(f"{addition_text(addition)}, fed by {feed}")
    except ValueError as error:
        known = {*site.units, *site.devices}
        raise unusable(str(error), did_you_mean(str(error).split('"')[1], known)) from error
    return site, tuple(changes)


def _setting_changes(told: Told) -> tuple[str, ...]:
    changes = []
    if told.temperature_c is not None:
        changes.append(f"its room at {told.temperature_c:g} °C")
    if told.age_years is not None:
        changes.append(f"a battery {told.age_years:g} years old")
    return tuple(changes)


def _case(name: str, loaded: LoadedSite, site: Site, unit: str, told: Told) -> tuple[Case, str]:
    """Return the load of the unit, and how it was counted."""
    draw = listed_draw(site, unit)
    if draw.most <= 0.0:
        raise unusable(
            f'nothing that "{unit}" feeds draws anything by its file',
            "add watts = … to its devices, or give --watts",
        )
    if told.at is None or loaded.place is None:
        steps: Sequence[LoadStep] = (LoadStep(0.0, draw.most),)
        dark = " with everything that comes on after dark" if draw.most > draw.day else ""
        hint = "; --at TIME counts day and night" if dark and told.at is None else ""
        return case_of(name, site, unit, steps), f"{draw.most:.1f} W all along{dark}{hint}"
    from agent.clock import LoopClock
    from agent.moment import moment_of
    from policies.night import light_steps

    begins = moment_of(told.at, zone=loaded.time_zone, now=LoopClock().utc())
    lights = light_steps(loaded.place, begins=begins, lasts_s=_AHEAD_S)
    steps = load_steps(site, unit, lights)
    text = f"{draw.day:.1f} W by day, {draw.night:.1f} W by night, from {begins:%Y-%m-%d %H:%M} on"
    return case_of(name, site, unit, steps), text


def _packs(told: Told, present: Pack, needed: float) -> tuple[Pack, ...]:
    return (present, *told.packs) if told.packs else present_and_larger(present, needed)


def _assumptions(loaded: LoadedSite, told: Told, present: Pack) -> tuple[str, ...]:
    said = ["what starts, and volt-amperes, as `lastwatt budget` has it, with what it assumes"]
    if told.at is not None and loaded.place is None:
        said.append(NO_PLACE)
    if present.volts is None:
        said.append(
            f"the present battery reckoned as {present.nominal_wh:.0f} Wh when new, by its "
            "watt_hours or runtimes; volts and amp_hours in the file are surer"
        )
    return tuple(said)


# How the battery is, and what is known of it


def setting_of(told: Told, *, temperature_c: float) -> Setting:
    """Return how the battery is when it has to last: at the end of its life, or as old as told."""
    return Setting(
        health=END_OF_LIFE if told.age_years is None else health_at(told.age_years),
        temperature_c=temperature_c if told.temperature_c is None else told.temperature_c,
    )


def reference_of(
    told: Told, *, present: Pack | None, own_fit: Path | None = None
) -> tuple[Draws | None, str | None, int]:
    """Return what was measured: guesses for each Wh, where from, and of how many good full runs.

    Args:
        told: names the fit of a sister unit, perhaps.
        present: the battery of the site's unit.
        own_fit: the file of its own fit, which may not be there yet.

    Raises:
        CommandError: the battery that the fit is of is not known.
        ConfigError: the file holds no fit.
    """
    path = told.fit or (own_fit if own_fit is not None and own_fit.exists() else None)
    if path is None:
        if told.fit_battery is not None:
            raise unusable("--fit-battery needs --fit", "name the fit's file, or leave it away")
        return None, None, 0
    from agent.battery.fit_store import load_fit

    stored = load_fit(path)
    if told.chemistry not in (None, stored.chemistry.value):
        if told.fit is None:
            return None, None, 0  # what is there was measured, and another is asked about
        raise unusable(
            f"{path}: this is a fit of a {stored.chemistry} battery",
            f"leave --chemistry {told.chemistry} or --fit away",
        )
    battery = told.fit_battery or present
    if battery is None:
        raise unusable(
            "a fit says nothing of other sizes until its own battery is known",
            "add --fit-battery, like 36x7",
        )
    age_years, setting = _when_measured(stored)
    draws = per_watt_hour_of(stored.draws, nominal_wh=battery.nominal_wh, setting=setting)
    aged = "taken for new then" if age_years is None else f"{age_years:.1f} years old then"
    measured = f"{path.name}, a battery of {battery.nominal_wh:.0f} Wh, {aged}"
    return draws, measured, stored.full_runs


def _when_measured(stored: StoredFit) -> tuple[float | None, Setting]:
    """Return the age of the battery of a fit, and how it was; unknown = new, the careful guess."""
    if stored.fitted_on is None:
        return None, Setting(health=1.0, temperature_c=stored.temperature_c)
    age_years = max(0.0, (stored.made_on - stored.fitted_on).days / _YEAR_DAYS)
    return age_years, Setting(health=health_at(age_years), temperature_c=stored.temperature_c)
