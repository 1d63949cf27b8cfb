"""The list of what is to be undone: read without the agent, in step with it, no secret there."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from agent.clock import LoopClock
from agent.config import LoadedSite, load
from agent.owed.listing import MARK, parsed
from agent.owed.owed import OwedList, Undo, undo_of
from agent.status import OWED_LIST
from policies import reasons
from policies.events import DeviceSeen, Ending, Event, OrderClosed, OrderGiven, StepBegan, StepEnded
from policies.model import Order, Task
from policies.owed import Owed
from policies.state import SiteState, fold, initial
from tests.agent.commands import V2C, unit, write_secret, write_site
from tests.agent.site_files import TODAY

PASSWORD = "moor-her-fast-4"
DEVICES = """\
[[device]]
name = "gate recorder"
role = "recorder"
address = "192.0.2.20"
feed = "cabinet"
path = ["yard switch"]
watts = 24
quiesce = { driver = "http", path = "/api/idle", takes = "5s" }
stop = { driver = "http", path = "/api/off", takes = "20s" }
start = { driver = "http", path = "/api/record", json = { user = "{user}", key = "{password}" } }
[device.http]
user = "keeper"
password = { file = "password" }

[[device]]
name = "yard switch"
role = "switch"
address = "192.0.2.2"
feed = "cabinet"
watts = 9
stop = { driver = "http", path = "/api/off", takes = "20s" }
start = "by hand"

[[device]]
name = "desk"
role = "computer"
address = "192.0.2.21"
feed = "cabinet"
path = ["yard switch"]
watts = 40
start = "by itself"
[[device.stop]]
driver = "http"
path = "/api/off"
takes = "20s"
[[device.stop]]
driver = "ssh"
run = "poweroff"
takes = "20s"
[device.ssh]
user = "keeper"
password = { file = "password" }
host_keys = ["SHA256:m3Yx8Kc5Vb1Nz7Qw2Er9Ty4Ui6Op0As8Df3Gh5Jk7Lc"]
"""
GATE = "gate recorder"


class Bench:
    """The list of a site, whose state moves by events."""

    def __init__(self, folder: Path) -> None:
        write_secret(folder / "password", PASSWORD)
        loaded, faults = load(write_site(folder, unit(161, snmp=V2C), DEVICES), today=TODAY)
        assert loaded is not None, faults
        self.loaded: LoadedSite = loaded
        self.clock = LoopClock()
        self.folder = folder / "state"
        self.folder.mkdir()
        self.file = self.folder / OWED_LIST
        self.state: SiteState = initial(loaded.site)
        self.undo: Undo = undo_of(loaded, clock=self.clock)
        self.owed: OwedList | None = None

    @asynccontextmanager
    async def kept(self) -> AsyncIterator[None]:
        self.owed = OwedList(
            self.loaded, self.folder, clock=self.clock, state=lambda: self.state, undo=self.undo
        )
        keeping = asyncio.create_task(self.owed.run())
        try:
            yield
            assert not keeping.done()
        finally:
            keeping.cancel()
            await asyncio.gather(keeping, return_exceptions=True)

    def hear(self, *events: Event) -> None:
        for event in events:
            self.state = fold(self.loaded.site, self.state, event)
            if self.owed is not None:
                self.owed.hear(event)

    def rest(self, name: str, *acts: str, by_hand: bool = False) -> None:
        now = self.clock.monotonic()
        reason = reasons.battery_low("cabinet")
        if by_hand:
            reason = reasons.by_hand(Task.REST, "ana")
        self.hear(OrderGiven(now, f"{name}#1", Order(name, Task.REST, now + 60.0, reason)))
        for act in acts:
            self.hear(
                StepBegan(now, f"{name}#1", name, act),
                StepEnded(now, f"{name}#1", name, act, "done", "accepted"),
            )
        self.hear(OrderClosed(now, f"{name}#1", name, Task.REST, Ending.AT_REST, "gone"))

    def start(self, name: str) -> None:
        now = self.clock.monotonic()
        order = Order(name, Task.START, now + 60.0, reasons.mains_back(120.0))
        self.hear(
            OrderGiven(now, f"{name}#2", order),
            OrderClosed(now, f"{name}#2", name, Task.START, Ending.RUNNING, "it answers"),
        )

    async def until(self, holds: Callable[[], bool]) -> None:
        async with asyncio.timeout(10):
            while not holds():  # noqa: ASYNC110  # a file, of which no event tells
                await asyncio.sleep(0.01)

    def whole(self) -> str:
        return self.file.read_text() if self.file.exists() else ""

    def text(self) -> str:
        """The part for people."""
        return self.whole().partition(MARK)[0]


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


async def test_list_says_what_was_done_and_what_to_send_to_undo_it(bench: Bench) -> None:
    """Somebody with this page and no lastwatt gets the site recording again, in a working order."""
    async with bench.kept():
        bench.rest(GATE, "quiesce", "stop", by_hand=True)
        bench.rest("desk", "stop")
        bench.rest("yard switch", "stop")
        await bench.until(lambda: bench.text().count("since") == 3)
    lines = bench.text().splitlines()

    heads = [line for line in lines[3:] if line and not line.startswith(" ")]
    assert heads == [
        "yard switch (switch, 192.0.2.2): stopped",
        "gate recorder (recorder, 192.0.2.20): quiesced and stopped, by hand",
        "desk (computer, 192.0.2.21): stopped",
    ]
    assert lines[0] == "Quayside boatyard: what lastwatt has changed and not yet undone."
    gate = "\n".join(lines[lines.index(heads[1]) : lines.index(heads[2])])
    assert "send it:" in gate
    assert "POST https://192.0.2.20/api/record" in gate
    assert '{"user":"keeper","key":"***"}' in gate
    assert gate.rstrip().endswith("then see that it records again")
    assert "it starts by itself" in "\n".join(lines[lines.index(heads[2]) :])
    assert "start it by its own button" in "\n".join(lines[: lines.index(heads[1])])


async def test_list_holds_no_secret(bench: Bench) -> None:
    """It is copied off the box and sent around."""
    async with bench.kept():
        bench.rest(GATE, "quiesce", "stop")
        await bench.until(lambda: bool(bench.text()))

    assert PASSWORD not in bench.whole()
    assert "***" in bench.text()
    entry = parsed(bench.whole(), where="list").owed[0]
    assert entry.tables["http"]["password"] == {"file": "password"}


async def test_list_follows_each_change_and_is_gone_when_nothing_is_owed(bench: Bench) -> None:
    """An old list that claims what is long undone would be worse than none."""
    async with bench.kept():
        bench.rest(GATE, "quiesce", "stop")
        bench.rest("desk", "stop")
        await bench.until(lambda: "desk" in bench.text())
        bench.start("desk")
        await bench.until(lambda: "desk" not in bench.text())
        assert GATE in bench.text()
        bench.start(GATE)
        await bench.until(lambda: not bench.file.exists())

    assert list(bench.folder.iterdir()) == []


async def test_change_is_listed_while_its_order_is_under_way(bench: Bench) -> None:
    """The box may lose its power before the order ends."""
    async with bench.kept():
        order = Order(GATE, Task.REST, 1e9, reasons.battery_low("cabinet"))
        bench.hear(OrderGiven(1.0, "r#1", order), StepBegan(1.0, "r#1", GATE, "quiesce"))
        await bench.until(lambda: "quiesced" in bench.text())


async def test_recorder_back_by_itself_keeps_the_request_that_makes_it_record(bench: Bench) -> None:
    """Its power came back, and its recording may not have."""
    async with bench.kept():
        bench.rest(GATE, "quiesce", "stop")
        bench.hear(DeviceSeen(bench.clock.monotonic(), GATE, "it answers"))
        await bench.until(lambda: "came back without lastwatt" in bench.text())

    assert "/api/record" in bench.text()
    assert "stopped" not in bench.text().partition("gate recorder")[2].partition("since")[0]


@pytest.mark.parametrize("owes", [True, False])
async def test_list_is_brought_up_to_date_when_the_agent_starts(bench: Bench, owes: bool) -> None:
    """What the last run left behind is true again in the first second, or gone."""
    bench.file.write_text("what an earlier run left")
    if owes:
        bench.rest("desk", "stop")
    async with bench.kept():
        await bench.until(lambda: "an earlier run" not in bench.text())

    assert ("desk" in bench.text()) == owes == bench.file.exists()


async def test_driver_that_fails_costs_its_own_line_only(bench: Bench) -> None:
    """Drivers may be other people's."""

    async def undo(one: Owed) -> tuple[str, ...]:
        if one.device == GATE:
            raise RuntimeError("password=hunter2")
        return (f"wake {one.device}",)

    bench.undo = undo
    async with bench.kept():
        bench.rest(GATE, "quiesce", "stop")
        bench.rest("desk", "stop")
        await bench.until(lambda: "desk" in bench.text())

    assert "wake desk" in bench.text()
    assert "gate recorder (recorder, 192.0.2.20): quiesced and stopped" in bench.text()
    assert "hunter2" not in bench.text()


async def test_disk_that_takes_no_list_ends_nothing(bench: Bench) -> None:
    """A full disk: the agent goes on, and the list is tried again later."""
    bench.folder.rmdir()
    async with bench.kept():
        bench.rest("desk", "stop")
        await asyncio.sleep(0.2)  # it fails, and goes on

    assert bench.text() == ""


async def test_nothing_is_asked_to_start_what_must_not_be_touched(bench: Bench) -> None:
    """A device that was put on the no-touch list since: the page shows no way to reach it."""
    site = bench.loaded.site
    devices = {**site.devices, GATE: replace(site.devices[GATE], no_touch=True)}
    loaded = replace(bench.loaded, site=replace(site, devices=devices))

    one = Owed(GATE, ("stopped",), 0.0, is_running=False, by_hand=False)
    assert await undo_of(bench.loaded, clock=bench.clock)(one) != ()
    assert await undo_of(loaded, clock=bench.clock)(one) == ()


async def test_list_holds_no_way_to_stop_a_device_the_second_one_included(tmp_path: Path) -> None:
    """Whoever finds the list shall be able to undo, and no more."""
    bench = Bench(tmp_path)
    async with bench.kept():
        bench.rest("desk", "stop")
        await bench.until(bench.file.exists)

    entry = parsed(bench.whole(), where="list").owed[0]
    assert not {"stop", "stop else"} & entry.drivers.keys()
    assert "poweroff" not in bench.whole()
