"""What is legal in a site's file and bites in the first real outage.

`check` is what the command calls. What concerns feeds, watts and the battery is in `check_power`.
"""

from __future__ import annotations

import math
import os
from collections.abc import Iterator, Mapping
from datetime import date
from ipaddress import ip_address
from itertools import pairwise
from pathlib import Path
from types import MappingProxyType

from pydantic import BaseModel

from agent.battery.check import battery_warnings
from agent.checks.power import Scene, power_warnings
from agent.conduct.learnt_durations import Took, learnt_in, state_in
from agent.config import Fault, LoadedSite, in_order, load
from agent.config.faults import as_written
from agent.config.fittings import OWN, WATCHER, Kinds
from agent.config.models import is_ip_address
from agent.grades.standings import Standings, standings
from agent.notices.check import notice_warnings
from drivers import registry
from drivers.base import Stage
from drivers.http_settings import HttpAccess, Tls
from drivers.ssh_settings import SshAccess
from policies.grades import Grade
from policies.graph import may_be_stopped, writers_of
from policies.model import HOLDS_DATA, Device, Role, Starts, Unit, WhenLost
from policies.state import took_of


def check(
    path: str | Path,
    *,
    today: date,
    secrets_must_exist: bool = False,
    secret_files_must_exist: bool = True,
    env: Mapping[str, str] = os.environ,
    kinds: Kinds = registry.kind,
) -> tuple[LoadedSite | None, tuple[Fault, ...]]:
    """Return the site of a file and all its faults: errors, or, where there are none, warnings.

    The arguments are those of `load`.

    Raises:
        ConfigError: the file cannot be read, or is not TOML.
    """
    loaded, faults = load(
        path,
        today=today,
        secrets_must_exist=secrets_must_exist,
        secret_files_must_exist=secret_files_must_exist,
        env=env,
        kinds=kinds,
    )
    if loaded is None:
        return None, faults
    known = state_in(loaded)
    took = {} if known is None else took_of(known)
    grades = {} if known is None else standings(loaded, known, today)
    return loaded, in_order((*faults, *warnings(loaded, took, grades)))


def warnings(
    loaded: LoadedSite,
    took: Took = MappingProxyType({}),
    grades: Standings = MappingProxyType({}),
) -> tuple[Fault, ...]:
    """Return everything that will bite, from the top of the file to its end.

    Args:
        loaded: the site's file.
        took: how long stages were seen to take.
        grades: where devices stand by the journal; of those not named nothing is known.
    """
    scene = Scene(loaded)
    return in_order(
        (
            *power_warnings(scene),
            *battery_warnings(scene),
            *_box_warnings(scene),
            *_unit_warnings(scene),
            *_name_warnings(scene),
            *_stop_warnings(scene),
            *_writer_warnings(scene),
            *_return_warnings(scene),
            *_start_warnings(scene),
            *_login_warnings(scene),
            *_table_warnings(scene),
            *notice_warnings(scene),
            *_learnt_warnings(scene, took),
            *_grade_warnings(scene, grades),
        )
    )


def _box_warnings(scene: Scene) -> Iterator[Fault]:
    if scene.loaded.agent.box is None:
        yield scene.document.warning(
            ("agent", "box"),
            "agent-box-unnamed",
            "the file does not say which device lastwatt runs on, so nothing watches its power",
            'add that device with role = "agent box", and box = "its name" under [agent]',
        )


def _unit_warnings(scene: Scene) -> Iterator[Fault]:
    for name, unit in scene.site.units.items():
        access = scene.loaded.units[name]
        if access.snmp.version != "3":
            yield scene.warning(
                name,
                ("snmp", "version"),
                "snmp-clear-text",
                f"version {access.snmp.version} sends its community in clear text, and anybody "
                "on the wire can answer in the unit's place",
                'use version = "3" with auth and privacy if the unit can',
            )
        elif access.snmp.auth == "none":
            yield scene.warning(
                name,
                ("snmp", "auth"),
                "snmp-unauthenticated",
                "without auth anybody on the wire can answer in the unit's place",
                'set auth = "sha256", or what the unit offers, and auth_secret',
            )
        yield from _output_warnings(scene, name, unit)
        if unit.when_lost_on_mains is WhenLost.STOP:
            yield scene.warning(
                name,
                ("lost", "on_mains"),
                "lost-stops-on-mains",
                "a pulled network cable will stop the site while mains is fine",
                'write on_mains = "alarm", unless that is what you want',
            )
        if any(a.lasts_s <= b.lasts_s for a, b in pairwise(unit.battery.table)):
            yield scene.warning(
                name,
                ("battery", "runtimes"),
                "runtimes-odd",
                "more watts seem to last as long as fewer, or longer",
                "look at the figures again; leave out runs on a battery that was not full",
            )


def _output_warnings(scene: Scene, name: str, unit: Unit) -> Iterator[Fault]:
    control = scene.loaded.units[name].control
    if unit.output is None or control is None:
        return
    if control.version != "3" or control.privacy == "none":
        yield scene.warning(
            name,
            ("output",),
            "output-clear-text",
            "its output is switched in clear text: anybody on the wire can learn how, and do it",
            "give the unit a version 3 user with auth and privacy if it can, and remove clear_text",
        )
    if unit.output.unmetered:
        yield scene.warning(
            name,
            ("output", "unmetered"),
            "output-unmetered",
            "where the unit measures nothing, its output drops over whatever hangs on it unlisted",
            "walk the site and list everything on this output, or remove unmetered",
        )
    for device in scene.site.devices.values():
        reached = (device.name, *scene.graph.touched_by[device.name])
        untouched = next((n for n in reached if scene.site.devices[n].no_touch), None)
        if name in scene.graph.units[device.name] and untouched is not None:
            yield scene.warning(
                name,
                ("output",),
                "output-carries-no-touch",
                f'"{untouched}" is on the no-touch list and hangs on it, so it never drops',
                "move that to another unit, or remove output",
            )
            return


def _name_warnings(scene: Scene) -> Iterator[Fault]:
    addresses = {name: access.address for name, access in scene.loaded.units.items()}
    for name, address in {**addresses, **scene.loaded.addresses}.items():
        if address and address != "localhost" and not is_ip_address(address):
            yield scene.warning(
                name,
                ("address",),
                "host-name",
                "this is a name, and in an outage the name server may be down",
                "write its IP address",
            )


def _stop_warnings(scene: Scene) -> Iterator[Fault]:
    for name, device in scene.site.devices.items():
        stages = scene.loaded.stage_drivers[name]
        if device.no_touch:
            for stage in stages:
                if (*scene.route(name), stage.value) in scene.document.lines:
                    yield scene.warning(
                        name,
                        (stage,),
                        "no-touch-has-stages",
                        "no_touch is set, so this is never used",
                        "remove one of the two",
                    )
        elif device.role in HOLDS_DATA and device.is_passive:
            yield scene.warning(
                name,
                (),
                "never-prepared",
                f"a {device.role} loses power unprepared: nothing says how to quiesce or stop it",
                "add stop = { driver = … }, or no_touch = true if that is what you want",
            )
        elif device.role is Role.AGENT_BOX and device.stop_s is not None:
            yield from _own_stop_warnings(scene, name, device)


def _return_warnings(scene: Scene) -> Iterator[Fault]:
    """Warn of recorders that may stay idle, and whose return is taken from a port that answers."""
    for name, device in scene.site.devices.items():
        is_seen = scene.loaded.stage_drivers[name].get(Stage.VERIFY) != WATCHER
        is_idled = device.quiesce_s is not None and not (device.by_writers or device.can_restore)
        if device.role is Role.RECORDER and is_idled and not is_seen and not device.no_touch:
            yield scene.warning(
                name,
                (Stage.VERIFY,),
                "recording-unseen",
                "its recording is stopped by an order, nothing in the file puts that back, and "
                "once its port answers it counts as recording again",
                "give its quiesce a restore, or verify it by a driver that asks the device itself; "
                "or look whether it records after an outage",
            )


def _own_stop_warnings(scene: Scene, name: str, device: Device) -> Iterator[Fault]:
    """Find a power-off of the agent's own box that never comes, or that it never returns from."""
    units = scene.graph.units[name]
    is_switched = bool(units) and all(scene.site.units[unit].output for unit in units)
    if scene.loaded.stage_drivers[name].get(Stage.STOP) != OWN or not is_switched:
        yield scene.warning(
            name,
            ("stop",),
            "agent-box-never-stopped",
            "the agent's own box powers itself off only, and only before an output that drops: "
            "else nothing would start it again",
            'write stop = { driver = "local" } and output = { } at each unit that feeds it; or '
            "remove this, and let the box lose power with a file system that bears it",
        )
    elif device.starts is not Starts.BY_ITSELF:
        yield scene.warning(
            name,
            ("start",),
            "agent-box-may-not-start",
            "it powers itself off, and the file does not say that it starts when power comes",
            'set that in its firmware, and write start = "by itself"',
        )


def _writer_warnings(scene: Scene) -> Iterator[Fault]:
    """Warn of recorders that are to be quiesced by their writers, and cannot be."""
    for name, device in scene.site.devices.items():
        if not device.by_writers:
            continue
        writers = writers_of(scene.site, name)
        for writer in (n for n in writers if not may_be_stopped(scene.site, n)):
            why = "is on the no-touch list"
            if not scene.site.devices[writer].no_touch:
                why = (
                    "cannot be cut: nothing in the file says how, or something must not be touched"
                )
            yield scene.warning(
                name,
                (Stage.QUIESCE,),
                "writers-stay",
                f"it cannot be brought to rest: {writer}, which writes to it, {why}",
                f'let {writer} be cut, such as stop = {{ driver = "poe" }}, or give this recorder '
                "a stop of its own",
            )
        if not writers:
            yield scene.warning(
                name,
                (Stage.QUIESCE,),
                "writers-unknown",
                "it cannot be brought to rest: the file names nothing that writes to it",
                f'write needs = ["{name}"] in the table of each of its cameras',
            )


def _start_warnings(scene: Scene) -> Iterator[Fault]:
    for name, device in scene.site.devices.items():
        if device.role not in HOLDS_DATA or device.stop_s is None or device.no_touch:
            continue
        if device.starts is Starts.BY_HAND:
            yield scene.warning(
                name,
                ("start",),
                "nothing-starts-it",
                f"nothing switches this {device.role} on again after it was stopped",
                'add start = { driver = "wake", … }, or start = "by itself" if it comes with power',
            )
        elif device.starts is Starts.BY_ITSELF and not _is_cycled(scene, name):
            yield scene.warning(
                name,
                ("start",),
                "may-not-start",
                "it starts only when its power comes: if mains returns before the unit's output "
                "has dropped, it stays off",
                'add start = { driver = "wake", … } if it can be woken, or output = { } at its '
                "unit",
            )


def _is_cycled(scene: Scene, name: str) -> bool:
    """Whether every output that it hangs on may be switched, so that its power comes anew."""
    units = scene.graph.units[name]
    return bool(units) and all(scene.site.units[unit].output is not None for unit in units)


def _learnt_warnings(scene: Scene, took: Took) -> Iterator[Fault]:
    """What takes longer than the file says; the agent plans with what it learnt all the same."""
    for name, found in learnt_in(scene.site, took).items():
        for one in found:
            if one.used_s > one.file_s:
                longer_s = math.ceil(one.used_s)
                yield scene.warning(
                    name,
                    (one.stage, "takes"),
                    "takes-too-short",
                    one.sentence,
                    f'write takes = "{as_written(longer_s)}"; until then lastwatt plans with that '
                    "by itself",
                )


def _grade_warnings(scene: Scene, grades: Standings) -> Iterator[Fault]:
    """What nobody has seen to work, or not for long: the first outage is a poor first trial."""
    for name, found in grades.items():
        if scene.site.devices[name].role is Role.RECORDER and found.grade is not Grade.DRILLED:
            was_drilled = any(grade is Grade.DRILLED for grade, _ in (*found.stale, *found.voided))
            yield scene.warning(
                name,
                (),
                "drill-stale" if was_drilled else "never-drilled",
                f"nothing shows that this recorder goes and comes back: {found.sentence}",
                "in a maintenance window, run: lastwatt drill",
            )


def _login_warnings(scene: Scene) -> Iterator[Fault]:
    for name, fitted in scene.loaded.fittings.items():
        for language, found in fitted.items():
            for key, code, message, fix in _weaknesses(found.access):
                yield scene.warning(name, (language, key), code, message, fix)


def _weaknesses(access: BaseModel) -> Iterator[tuple[str, str, str, str]]:
    """Yield key, code, message and fix of each way of logging in that others can abuse."""
    tls = getattr(access, "tls", None)
    if isinstance(tls, Tls) and tls.oldest != "1.2":
        yield (
            "tls",
            "old-tls",
            f"TLS {tls.oldest} is deprecated (RFC 8996): whoever is on the wire may read along or "
            "alter what is said, the password included",
            "update the device, or keep it on a wire of its own",
        )
    if isinstance(access, SshAccess) and access.legacy:
        yield (
            "legacy",
            "old-ssh",
            f"{', '.join(access.legacy)}: whoever stands in between may pass for the device and "
            "learn the password",
            "update the device, or keep it on a wire of its own and log in by a key",
        )
    if not isinstance(access, HttpAccess) or access.auth == "digest":
        return
    if access.scheme == "http" and access.password is not None:
        yield (
            "scheme",
            "password-in-clear",
            "the password goes over the wire in clear text",
            'set scheme = "https" and pin its certificate, or auth = "digest"',
        )


def _table_warnings(scene: Scene) -> Iterator[Fault]:
    agent = scene.loaded.agent
    if agent.poll_on_battery_s > agent.poll_on_mains_s:
        yield scene.document.warning(
            ("agent", "poll_on_battery"),
            "poll-slower-on-battery",
            "units are asked more seldom on battery than on mains",
            'write a shorter time, like poll_on_battery = "2s"',
        )
    page = scene.loaded.page
    if page is not None and not page.has_tls and not ip_address(page.listen[0]).is_loopback:
        yield scene.document.warning(
            ("page", "clear_text"),
            "page-clear-text",
            "whoever signs in to the page sends the password in clear text",
            "remove clear_text: the agent makes a certificate for itself",
        )
    if page is not None and page.certificate is not None and not page.certificate.is_file():
        yield scene.document.warning(
            ("page", "certificate"),
            "secret-absent",
            f"{page.certificate} is not there, and without it there is no page",
            "put it there, with its key, or remove both: the agent makes one for itself",
        )
