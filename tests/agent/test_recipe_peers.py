"""Shipped recipes against servers and libraries that nobody here wrote."""

from __future__ import annotations

import asyncio
import re
import shlex
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from agent.checks.recipe_trial import Bench, Tried, bench_of, for_real, on_paper
from agent.config.recipes import SHIPPED, Recipe, read_recipe
from drivers.base import Act, Verdict
from tests.agent.commands import Done, lastwatt, write_secret
from tests.peers import apache, onvif, redfish
from tests.peers.poe_switch import DOOR_MAC, SLIPWAY_MAC, PoeSwitch
from tests.peers.snmpd import SWITCH
from tests.peers.sshd import Sshd

pytestmark = pytest.mark.peer

SYSTEMCTL = """\
#!/bin/sh
echo "$*" >> {folder}/told
case "$1" in
    stop) echo inactive > {folder}/state ;;
    start) echo active > {folder}/state ;;
    is-active) cat {folder}/state; grep -qx active {folder}/state ;;
esac
"""
"""Stands in for systemctl(1), whose `is-active` prints the state; what is real is SSH and sh."""

SUDO = '#!/bin/sh\n[ "$1" = -n ] && shift\nexec "$@"\n'


def recipe(name: str, folder: Path) -> Recipe:
    found, faults = read_recipe(SHIPPED / f"{name}.toml", folder)
    assert found is not None, faults
    return found


def bench(name: str, folder: Path, secrets: Mapping[str, str], **given: Any) -> Bench:
    """Return a device on loopback that a shipped recipe makes; its secrets lie in files."""
    for key, secret in secrets.items():
        write_secret(folder / key, secret)
        given[key] = {"file": str(folder / key)}
    found = bench_of(recipe(name, folder), given, address="127.0.0.1", examples=False)
    assert found.is_sound, found.faults
    return found


def verdicts(tried: tuple[Tried, ...]) -> dict[Act, Verdict]:
    return {each.act: each.outcome.verdict for each in tried}


def enter(folder: Path, allowed: list[str]) -> Path:
    """Make the door that linux.toml describes: it runs these commands and nothing else."""
    tools = folder / "bin"
    tools.mkdir()
    (folder / "state").write_text("active\n")
    for name, text in (("systemctl", SYSTEMCTL.format(folder=folder)), ("sudo", SUDO)):
        (tools / name).write_text(text)
        (tools / name).chmod(0o755)
    door = folder / "keeper-door"
    patterns = "|".join(map(shlex.quote, allowed))
    door.write_text(
        f'#!/bin/sh\nPATH={tools}:$PATH\ncase "$SSH_ORIGINAL_COMMAND" in\n'
        f'  {patterns}) exec sh -c "$SSH_ORIGINAL_COMMAND" ;;\nesac\nexit 1\n'
    )
    door.chmod(0o755)
    return door


async def test_a_linux_recorder_is_brought_to_rest_through_a_key_that_can_do_nothing_else(
    tmp_path: Path,
) -> None:
    """The commands on paper are those of the account, letter by letter: none more is needed."""
    with Sshd(tmp_path / "sshd") as server:
        host = bench(
            "linux-recorder", tmp_path, {"key": server.client_key},
            user=server.user, port=server.port, host_keys=[server.fingerprint()],
            service="recorder",
        )  # fmt: skip
        sent = [line for tried in await on_paper(host) for line in tried.outcome.sent]
        allowed = [line.removeprefix("run ") for line in sent if line.startswith("run ")]
        door = enter(tmp_path, allowed)
        keys = server.folder / "authorized_keys"
        public = (server.folder / "client.pub").read_text()
        keys.write_text(f'restrict,command="{door}" {public}')

        rest = await for_real(host, (Act.PROBE, Act.QUIESCE, Act.CONFIRM_QUIESCED, Act.STOP))
        state = (tmp_path / "state").read_text()
        back = await for_real(host, (Act.RESTORE,))
        other = bench(
            "linux-recorder", tmp_path, {"key": server.client_key},
            user=server.user, port=server.port, host_keys=[server.fingerprint()],
            service="door",
        )  # fmt: skip
        refused = await for_real(other, (Act.QUIESCE,))

    assert set(verdicts(rest).values()) == {Verdict.DONE}, rest
    assert state == "inactive\n"
    assert verdicts(back) == {Act.RESTORE: Verdict.DONE}
    assert verdicts(refused) == {Act.QUIESCE: Verdict.REFUSED}
    told = (tmp_path / "told").read_text().splitlines()
    assert told[0] == "stop recorder"
    assert told[-2:] == ["poweroff", "start recorder"]
    assert "stop door" not in told


async def test_a_recorder_behind_digest_is_stopped_by_a_request(tmp_path: Path) -> None:
    """Digest by Apache's mod_auth_digest (RFC 7616): challenge, answer, one stop."""
    with apache.Apache() as server:
        server.put_state("recording")
        recorder = bench(
            "digest-cgi", tmp_path, {"password": apache.PASSWORD},
            user=apache.USER, port=server.port,
            stop_path="/digest/api/stop", state_path="/digest/api/state",
        )  # fmt: skip
        tried = await for_real(recorder, (Act.PROBE, Act.STOP))
        calls = server.calls

    assert set(verdicts(tried).values()) == {Verdict.DONE}, tried
    assert [call for call in calls if "stop" in call] == calls[-1:]


async def test_a_server_is_shut_down_and_started_through_redfish(tmp_path: Path) -> None:
    """sushy-tools' emulator: the reset is asked for, and PowerState shows it."""
    with redfish.Emulator() as emulator:
        server = bench(
            "redfish", tmp_path, {"password": redfish.PASSWORD},
            controller="127.0.0.1", port=emulator.port, scheme="http", login="basic",
            user=redfish.USER,
        )  # fmt: skip
        rest = await for_real(server, (Act.PROBE, Act.STOP, Act.CONFIRM_GONE))
        back = await for_real(server, (Act.START, Act.CONFIRM_RUNNING))

    assert set(verdicts(rest).values()) == {Verdict.DONE}, rest
    assert set(verdicts(back).values()) == {Verdict.DONE}, back


@pytest.mark.parametrize("auth", ["digest", "token"])
async def test_a_camera_is_idled_and_records_again_through_onvif(tmp_path: Path, auth: str) -> None:
    """Its jobs, read and written by an independent SOAP library by the published WSDL."""
    modes = {"job-1": "Active", "job-2": "Idle"}
    with onvif.serving(onvif.Recorder(modes=modes, auth=auth)) as recorder:
        camera = bench(
            "onvif", tmp_path, {"password": onvif.PASSWORD},
            user=onvif.USER, port=recorder.port, auth=auth, settle="0.3s",
        )  # fmt: skip
        acts = (Act.PROBE, Act.REMEMBER, Act.QUIESCE, Act.CONFIRM_QUIESCED)
        rest = await for_real(camera, acts)
        idle = dict(recorder.modes)
        was = next(each.outcome.was for each in rest if each.act is Act.REMEMBER)
        back = await for_real(camera, (Act.RESTORE,), was=was)

    assert set(verdicts(rest).values()) == {Verdict.DONE}, rest
    assert idle == {"job-1": "Idle", "job-2": "Idle"}
    assert verdicts(back) == {Act.RESTORE: Verdict.DONE}
    assert recorder.modes == {"job-1": "Active", "job-2": "Idle"}


async def test_an_act_by_hand_can_be_undone_by_a_later_command(tmp_path: Path) -> None:
    """A camera idled for a trial would else record nothing from then on, and nobody would know."""
    write_secret(tmp_path / "word", onvif.PASSWORD)
    with onvif.serving(onvif.Recorder()) as recorder:
        command = (
            "recipe", "test", "onvif", "--live", "127.0.0.1", "--var", f"user={onvif.USER}",
            "--var", f"port={recorder.port}", "--var", "password=file:word", "--act",
        )  # fmt: skip

        def tell(*more: str) -> Done:
            return lastwatt(*command, *more, cwd=tmp_path, typed="127.0.0.1\n")

        idled = await asyncio.to_thread(tell, "quiesce")
        idle = dict(recorder.modes)
        blind = await asyncio.to_thread(tell, "restore")
        (was,) = set(re.findall(r"--was (.*)", idled.out))
        back = await asyncio.to_thread(tell, "restore", "--was", *shlex.split(was))

    assert (idled.status, idle) == (0, {"job-1": "Idle"}), idled.out + idled.err
    assert (blind.status, "add --was" in blind.err) == (2, True)
    assert back.status == 0, back.out + back.err
    assert recorder.modes == {"job-1": "Active"}


async def test_a_port_is_cut_only_while_its_neighbour_is_who_it_was(tmp_path: Path) -> None:
    """net-snmp's snmpd as the switch (RFC 3621): the door controller's port stays on."""
    secrets = {"auth_secret": SWITCH.auth_secret, "privacy_secret": SWITCH.privacy_secret}
    with PoeSwitch(tmp_path / "switch") as switch:
        common = {
            "switch": switch.address, "snmp_port": switch.snmpd.port, "user": SWITCH.name,
            "auth": SWITCH.auth, "privacy": SWITCH.privacy,
        }  # fmt: skip
        camera = bench("poe-port", tmp_path, secrets, port="1.3", neighbour=[SLIPWAY_MAC], **common)
        moved = bench("poe-port", tmp_path, secrets, port="1.3", neighbour=[DOOR_MAC], **common)
        refused = await for_real(moved, (Act.STOP,))
        untouched = switch.is_on("1.3")
        cut = await for_real(camera, (Act.STOP, Act.CONFIRM_GONE))
        dark = switch.is_on("1.3")
        back = await for_real(camera, (Act.START,))

    assert verdicts(refused) == {Act.STOP: Verdict.REFUSED}
    assert untouched
    assert set(verdicts(cut).values()) == {Verdict.DONE}, cut
    assert not dark
    assert verdicts(back) == {Act.START: Verdict.DONE}
