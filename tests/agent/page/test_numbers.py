"""Numbers for monitoring, held to Prometheus' own judge; and a health that is honest."""

from __future__ import annotations

import asyncio
import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest
from prometheus_client.parser import text_string_to_metric_families

from tests.agent.page.page_site import page_site, serving
from tests.agent.test_wiring import until, until_heard
from tests.peers.snmpd import ON_BATTERY, Snmpd

pytestmark = pytest.mark.peer


def promtool_here() -> str:
    """Return its path; skip where it is absent, fail where CI is true."""
    found = shutil.which("promtool")
    if found is None:
        message = "promtool is not installed; apt-get install prometheus"
        if os.environ.get("CI") == "true":
            pytest.fail(message)
        pytest.skip(message)
    return found


Samples = dict[tuple[str, tuple[tuple[str, str], ...]], float]


def samples(text: str) -> Samples:
    return {
        (sample.name, tuple(sorted(sample.labels.items()))): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
    }


def of_unit(found: Samples, name: str, **more: str) -> float | None:
    labels = tuple(sorted({"unit": "cabinet", **more}.items()))
    return found.get((f"lastwatt_unit_{name}", labels))


async def test_numbers_pass_prometheus_own_check(tmp_path: Path, snmpd: Snmpd) -> None:
    """Source: `promtool check metrics`, of Debian's prometheus: names, units, help, types."""
    promtool = promtool_here()
    async with serving(page_site(tmp_path, snmpd), tmp_path / "state") as served:
        await until_heard(served.agent)
        got = await served.web.get("/metrics")
        done = await asyncio.to_thread(
            subprocess.run, [promtool, "check", "metrics"],
            input=got.content, capture_output=True, timeout=30,
        )  # fmt: skip

    assert got.headers["content-type"].startswith("text/plain; version=")
    assert (done.returncode, done.stdout + done.stderr) == (0, b"")


async def test_numbers_are_those_of_the_unit_in_base_units(tmp_path: Path, snmpd: Snmpd) -> None:
    async with serving(page_site(tmp_path, snmpd), tmp_path / "state") as served:
        await until_heard(served.agent)
        reading = served.agent.engine.state.units["cabinet"].reading
        found = samples((await served.web.get("/metrics")).text)

    assert reading is not None and reading.charge is not None
    assert of_unit(found, "battery_charge_ratio") == reading.charge <= 1.0
    assert of_unit(found, "output_watts") == reading.output_w
    assert of_unit(found, "supply", supply="mains") == 1.0
    assert of_unit(found, "supply", supply="battery") == 0.0
    assert of_unit(found, "answers") == 1.0
    assert of_unit(found, "runtime_lower_seconds") is None  # on mains nothing ends
    assert found[("lastwatt_outage", ())] == 0.0
    assert found[("lastwatt_polls_total", (("result", "answered"), ("unit", "cabinet")))] >= 1.0
    assert found[("process_resident_memory_bytes", ())] > 0.0


async def test_what_is_not_known_is_absent_and_never_zero(
    tmp_path: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """A charge of 0 that means "no answer" wakes people at night, or hides one that is real.

    A silent unit is the unit's trouble: the agent that goes on asking is well, and says so.
    """
    with Snmpd(tmp_path_factory.mktemp("frozen")) as unit:
        loaded = page_site(tmp_path, unit, more='lost = { after = "1s" }')
        async with serving(loaded, tmp_path / "state") as served:
            await until_heard(served.agent)
            unit.freeze()
            try:
                state = served.agent.engine
                await until(lambda: state.state.units["cabinet"].lost_at is not None, within_s=40)
                found = samples((await served.web.get("/metrics")).text)
                health = await served.web.get("/health")
            finally:
                unit.thaw()

    assert of_unit(found, "answers") == 0.0
    assert of_unit(found, "last_reading_timestamp_seconds") is not None
    for name in ("battery_charge_ratio", "output_watts", "load_ratio", "alarms"):
        assert of_unit(found, name) is None
    assert of_unit(found, "supply", supply="unknown") == 1.0
    assert health.status_code == 200 and "cabinet has not answered" in health.json()["noted"][0]


async def test_outage_shows_how_long_the_battery_lasts(
    tmp_path: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    with Snmpd(tmp_path_factory.mktemp("battery")) as unit:
        async with serving(page_site(tmp_path, unit), tmp_path / "state") as served:
            await until_heard(served.agent)
            unit.put(ON_BATTERY)
            await until(lambda: served.agent.engine.state.outage_at is not None, within_s=30)
            await until(
                lambda: bool(
                    (d := served.agent.engine.decision)
                    and d.timeline.unit_lower_s.get("cabinet", 1e9) < 1e8
                )
            )
            found = samples((await served.web.get("/metrics")).text)

    lower, median = (
        of_unit(found, "runtime_lower_seconds"),
        of_unit(found, "runtime_median_seconds"),
    )
    assert lower is not None and median is not None and 0.0 <= lower <= median
    assert found[("lastwatt_outage", ())] == 1.0
    assert of_unit(found, "supply", supply="battery") == 1.0


async def test_labels_are_names_of_the_file_and_words_of_closed_sets(
    tmp_path: Path, snmpd: Snmpd
) -> None:
    """A label with a sentence, a time or an order's id in it would fill a Prometheus in a year."""
    async with serving(page_site(tmp_path, snmpd), tmp_path / "state") as served:
        await until_heard(served.agent)
        found = samples((await served.web.get("/metrics")).text)

    keys = {key for name, labels in found if name.startswith("lastwatt_") for key, _ in labels}
    assert keys <= {
        "version", "unit", "device", "supply", "phase", "grade", "alarm", "result", "task",
        "ending", "kind",
    }  # fmt: skip
    assert all(re.fullmatch(r"(lastwatt|process)_[a-z0-9_]+", name) for name, _ in found)


async def test_health_says_no_when_the_polling_is_stuck(tmp_path: Path, snmpd: Snmpd) -> None:
    """The process is there and the page answers: only the question what was done tells."""
    async with serving(page_site(tmp_path, snmpd), tmp_path / "state") as served:
        await until_heard(served.agent)
        well = await served.web.get("/health")
        watch = served.agent.core.units.watches["cabinet"]
        await until(lambda: watch.due_at is not None)
        watch.due_at = served.agent.now() - 40.0
        stuck = await served.web.get("/health")

    assert well.status_code == 200 and well.json()["ok"] is True
    assert stuck.status_code == 503 and stuck.json()["ok"] is False
    assert stuck.json()["stuck"] == [
        "the polling of cabinet is stuck: it should have turned 10 s ago"
    ]
