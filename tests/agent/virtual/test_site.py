"""The yard as a whole: its file, its power, its truth; nothing here knows the agent."""

import asyncio
import random
import socket
import stat
import threading
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import date
from pathlib import Path

import pytest

from agent.checks.check import warnings
from agent.config import LoadedSite, load
from agent.virtual import yard
from agent.virtual.battery import VirtualBattery
from agent.virtual.machine import RecordingMachine
from agent.virtual.pace import PacedLoop
from agent.virtual.site import VirtualSite
from policies.model import HOLDS_DATA
from tests.agent.virtual.paced import run_paced
from tests.peers.net_snmp import as_user
from tests.peers.sshd import binary

FAST = 1200.0
HOLDERS = {yard.RECORDER, yard.PC, yard.STORE}


@asynccontextmanager
async def heron_lock(folder: Path, *, seed: int = 7) -> AsyncIterator[VirtualSite]:
    async with VirtualSite(folder, chance=random.Random(seed)) as site:
        yield site


def loaded(site: VirtualSite) -> LoadedSite:
    found, faults = load(site.file, today=date.today())
    assert found is not None, faults
    assert faults == ()
    return found


async def test_its_file_is_one_that_check_has_nothing_to_say_of(tmp_path: Path) -> None:
    """A newcomer's first file would be a bad example, or would not load at all."""
    async with heron_lock(tmp_path) as site:
        assert warnings(loaded(site)) == ()


async def test_the_file_and_the_yard_name_the_same_devices(tmp_path: Path) -> None:
    """The table at the end would speak of devices that the agent never heard of."""
    async with heron_lock(tmp_path) as site:
        described = loaded(site).site.devices
        assert described.keys() == site.devices.keys()
        assert all(described[name].role is site.devices[name].nature.role for name in described)
        # What the file promises is longer than the truth, as whoever timed it rounded up.
        for name in HOLDERS:
            machine = site.devices[name]
            closing_s = machine.files.closing_s if isinstance(machine, RecordingMachine) else 0.0
            assert closing_s + machine.nature.stop_s < described[name].rest_s


async def test_secrets_are_in_files_of_their_own_that_only_we_can_read(tmp_path: Path) -> None:
    """The demo would show how not to do it."""
    async with heron_lock(tmp_path) as site:
        text = site.file.read_text()
        files = [path for path in tmp_path.iterdir() if path != site.file]  # noqa: ASYNC240

    assert {stat.S_IMODE(path.stat().st_mode) for path in files} == {0o600}
    assert len(files) == 8
    assert not any(path.read_text().strip() in text for path in files)


@pytest.mark.alone
async def test_everything_is_open_within_a_second_and_a_half(tmp_path: Path) -> None:
    """A demo that takes its time to begin is not waited for."""
    began = time.monotonic()
    async with heron_lock(tmp_path):
        took_s = time.monotonic() - began

    assert took_s < 1.5


async def test_two_yards_keep_out_of_each_others_way(tmp_path: Path) -> None:
    """Two people, or two tests, could not run the demo on one machine."""
    (tmp_path / "b").mkdir()
    async with heron_lock(tmp_path) as one, heron_lock(tmp_path / "b") as other:
        assert one.unit.address != other.unit.address
        assert one.file.read_text() != other.file.read_text()


async def test_nothing_is_left_when_it_is_closed(tmp_path: Path) -> None:
    """The process would not end, or its ports stay taken."""
    tasks, threads = asyncio.all_tasks(), threading.active_count()
    async with heron_lock(tmp_path) as site:
        site.play(fails_after_s=3600.0, returns_after_s=60.0)
        site.mains_fails()
        addresses = [site.unit.address]
        found = loaded(site)
        ports = [
            (found.addresses[name], fitted.kind.port(fitted.access))
            for name, fittings in found.fittings.items()
            for fitted in fittings.values()
        ]
    site.close()
    for _ in range(100):
        if threading.active_count() <= threads:
            break
        await asyncio.sleep(0.02)

    assert asyncio.all_tasks() == tasks
    assert threading.active_count() <= threads
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as again:
        again.bind(addresses[0])
    for address, port in ports:
        if port is not None:
            with socket.socket() as caller:
                assert caller.connect_ex((address, port)) != 0


def test_untouched_it_loses_everything_that_can_be_lost(tmp_path: Path) -> None:
    """An outage of the demo would be harmless, and lastwatt good for nothing."""

    async def main(loop: PacedLoop) -> None:
        async with heron_lock(tmp_path) as site:
            load_w = site.load_w
            site.mains_fails()
            await site.until(lambda: not site.unit.output)
            told = site.truth()

        assert load_w == sum(nature.watts for nature in yard.natures().values())
        # Never early; a busy machine makes it late, at twenty virtual minutes a real second.
        assert told.output_end_s is not None
        assert -1.0 <= told.output_end_s - told.unattended_end_s < 1200.0
        assert {each.name for each in told.devices if each.damage} == HOLDERS
        assert all(each.lost_s is not None and not each.is_running for each in told.devices)
        assert all(each.possible for each in told.devices)
        assert all((each.at_rest_s is None) == (each.name in HOLDERS) for each in told.devices)

    run_paced(main, factor=FAST)


def test_every_stop_lightens_the_load_and_lengthens_the_time(tmp_path: Path) -> None:
    """The demo's battery would not be the one that its devices draw from."""

    async def main(loop: PacedLoop) -> None:
        async with heron_lock(tmp_path) as site:
            full_w = site.load_w
            site.mains_fails()
            site.devices[yard.PC].power_off()
            await site.until(lambda: site.load_w < full_w)
            shed_w = site.load_w
            await site.until(lambda: not site.unit.output)
            told = site.truth()

        nature = yard.natures()[yard.PC]
        assert shed_w == full_w - nature.watts + nature.standby_w
        battery = VirtualBattery(yard.TRUE_BATTERY, yard.UNITS_GAUGE, at=0.0)
        battery.carry(full_w, at=0.0)
        pc = next(each for each in told.devices if each.name == yard.PC)
        assert pc.at_rest_s is not None and told.output_end_s is not None
        assert pc.at_rest_s >= 29.9 and not pc.damage
        battery.carry(shed_w, at=pc.at_rest_s)
        assert -1.0 <= told.output_end_s - battery.ends_at < 1200.0
        assert battery.ends_at > told.unattended_end_s + 60.0

    run_paced(main, factor=300.0)


def test_the_cameras_live_and_die_with_the_switch(tmp_path: Path) -> None:
    """A camera on a dark port would go on drawing power, or recording."""

    async def main(loop: PacedLoop) -> None:
        async with heron_lock(tmp_path) as site:
            cameras = [site.devices[name] for name in yard.CAMERAS]
            full_w = site.load_w
            site.devices[yard.SWITCH].power_off()
            await site.until(lambda: not any(camera.powered for camera in cameras))
            assert site.load_w == full_w - 9.0 - 2 * 6.0
            site.devices[yard.SWITCH].wake()
            await site.until(lambda: all(camera.is_running for camera in cameras))
            assert site.load_w == full_w

    run_paced(main, factor=FAST)


def test_everything_comes_back_with_mains(tmp_path: Path) -> None:
    """The yard would stay dark after its first outage."""

    async def main(loop: PacedLoop) -> None:
        async with heron_lock(tmp_path) as site:
            site.play(fails_after_s=10.0, returns_after_s=1500.0)
            await site.until(lambda: not site.unit.mains)
            await site.until(lambda: site.unit.mains)
            await site.until(lambda: all(each.is_running for each in site.devices.values()))
            told = site.truth()

        assert told.mains_back_s is not None and told.mains_back_s >= 1499.0
        assert told.output_end_s is not None
        assert all(each.is_running for each in told.devices)
        assert {each.name for each in told.devices if each.damage} == HOLDERS

    run_paced(main, factor=FAST)


def test_a_magic_packet_on_its_wire_wakes_a_device(tmp_path: Path) -> None:
    """The file would name a wire on which nobody hears."""

    async def main(loop: PacedLoop) -> None:
        async with heron_lock(tmp_path) as site:
            store = site.devices[yard.STORE]
            store.power_off()
            await site.until(lambda: store.watts < 2.0)
            text = site.file.read_text()
            wire = text.split('mac = "02:00:5e:10:4c:03"')[1].split("\n")[1:3]
            address = wire[0].split('"')[1]
            port = int(wire[1].split("=")[1])
            packet = b"\xff" * 6 + bytes.fromhex("02005e104c03") * 16
            with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
                sender.sendto(packet, (address, port))
            await site.until(lambda: store.is_running)

    run_paced(main, factor=FAST)


def test_a_second_outage_has_a_truth_of_its_own(tmp_path: Path) -> None:
    """What was lost last week would be counted again today."""

    async def main(loop: PacedLoop) -> None:
        async with heron_lock(tmp_path) as site:
            site.mains_fails()
            await site.until(lambda: not site.unit.output)
            site.mains_returns()
            await site.until(lambda: all(each.is_running for each in site.devices.values()))
            site.mains_fails()
            told = site.truth()

        assert told.output_end_s is None
        assert told.mains_back_s is None
        assert not any(each.damage or each.lost_s for each in told.devices)

    run_paced(main, factor=FAST)


async def test_before_the_first_outage_there_is_no_truth_to_tell(tmp_path: Path) -> None:
    """A demo that was ended early would report a success."""
    async with heron_lock(tmp_path) as site:
        assert site.outage_s is None
        with pytest.raises(ValueError, match="before mains fails"):
            site.truth()


async def test_mains_cannot_fail_twice_or_return_twice(tmp_path: Path) -> None:
    """A key pressed twice would begin the outage anew."""
    async with heron_lock(tmp_path) as site:
        site.mains_returns()
        site.mains_fails()
        began = site.outage_s
        await asyncio.sleep(0.01)
        site.mains_fails()
        assert site.outage_s is not None and began is not None
        assert site.outage_s > began
        site.mains_returns()
        back = site.truth().mains_back_s
        await asyncio.sleep(0.01)
        site.mains_returns()
        assert site.truth().mains_back_s == back


def test_what_holds_data_is_what_the_truth_can_lose() -> None:
    """A new device of the yard could be lost without anybody noticing."""
    natures = yard.natures().values()

    assert {nature.name for nature in natures if nature.role in HOLDS_DATA} == HOLDERS


@pytest.mark.peer
async def test_its_secrets_open_what_they_are_for(tmp_path: Path) -> None:
    """The agent would be locked out; net-snmp's and OpenSSH's clients try the same keys."""
    (tmp_path / "clients").mkdir()
    async with heron_lock(tmp_path) as site:
        found = loaded(site)
        secret = {path.name: path.read_text() for path in tmp_path.iterdir() if path.is_file()}  # noqa: ASYNC240
        unit = as_user(
            tmp_path / "clients",
            site.unit.address,
            "watch",
            auth=("sha256", secret["unit-auth"]),
            privacy=("aes128", secret["unit-privacy"]),
        )
        assert await unit.get("1.3.6.1.2.1.33.1.1.5.0") == [f'"{yard.UNIT}"']
        ssh = found.fittings[yard.PC]["ssh"]
        port = ssh.kind.port(ssh.access)
        process = await asyncio.create_subprocess_exec(
            binary("ssh", package="openssh-client"),
            *("-F", "none", "-o", "BatchMode=yes", "-o", "StrictHostKeyChecking=no"),
            *("-o", "UserKnownHostsFile=/dev/null", "-i", str(tmp_path / "pc-key")),
            *("-p", str(port), f"operator@{found.addresses[yard.PC]}", "uptime"),
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.DEVNULL,
            stdin=asyncio.subprocess.DEVNULL,
        )
        said, _ = await process.communicate()

    assert (process.returncode, said) == (0, b"up, 1 recordings open\n")


def test_secrets_stay_out_of_sight() -> None:
    """A traceback would show every password of the yard."""
    secrets = yard.Secrets.drawn(random.Random(1), ssh_key="private")

    assert repr(secrets) == "Secrets()"
    assert secrets.recorder != secrets.store
