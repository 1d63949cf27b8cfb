"""The example that people start from: it loads, and says everything that can be said."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any, get_args

import pytest
from pydantic import BaseModel

from agent.checks.check import check
from agent.config import LoadedSite, build_drivers
from agent.config.models import DeviceTable, FileTable, StageTable, UnitTable
from drivers import registry
from drivers.base import Stage
from policies.model import Role
from tests.agent.site_files import TODAY
from tests.fakes import FakeClock

EXAMPLE = Path(__file__).parents[2] / "config.example.toml"


def _loaded() -> LoadedSite:
    loaded, faults = check(EXAMPLE, today=TODAY, env={})
    assert loaded is not None, [str(fault) for fault in faults]
    return loaded


def test_example_has_no_fault_but_its_absent_secrets() -> None:
    """People copy it; a warning in it would be copied along."""
    _, faults = check(EXAMPLE, today=TODAY, env={})

    assert {fault.code for fault in faults} == {"secret-absent"}


def test_example_shows_each_kind_of_device() -> None:
    """A recorder over HTTP, a PC over SSH, a console, an untouchable, two feeds, a mains socket."""
    site = _loaded().site

    assert set(site.devices) == {
        "warden",
        "yard switch",
        "slipway camera",
        "jetty camera",
        "router",
        "gate recorder",
        "yard pc",
        "workshop switch",
        "archive host",
        "door release",
        "slipway light",
        "tide gauge",
        "office monitor",
    }
    assert site.devices["warden"].feeds == ("cabinet", "loft")
    assert site.devices["door release"].no_touch
    assert [name for name, device in site.devices.items() if device.stop_s is not None] == [
        "slipway camera",
        "gate recorder",
        "yard pc",
        "workshop switch",
        "archive host",
        "slipway light",
        "tide gauge",
    ]


async def test_drivers_of_the_example_are_built_dry() -> None:
    """Each language of the example is one that this version speaks."""
    drivers = build_drivers(_loaded(), clock=FakeClock(), dry_run=True)

    assert {name: set(stages) for name, stages in drivers.items()} == {
        "slipway camera": {Stage.STOP, Stage.VERIFY, Stage.START},
        "jetty camera": {Stage.QUIESCE, Stage.VERIFY},
        "gate recorder": set(Stage) - {Stage.CUT},
        "yard pc": set(Stage) - {Stage.STOP_ELSE, Stage.CUT},
        "workshop switch": {Stage.STOP, Stage.VERIFY},
        "archive host": {Stage.STOP, Stage.VERIFY, Stage.START},
        "slipway light": {Stage.STOP, Stage.VERIFY, Stage.START},
        "tide gauge": {Stage.QUIESCE, Stage.STOP, Stage.VERIFY},
    }


def _models_in(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for inner in get_args(annotation):
        yield from _models_in(inner)


def _keys(model: type[BaseModel], seen: set[type[BaseModel]]) -> Iterator[str]:
    seen.add(model)
    for name, field in model.model_fields.items():
        yield field.alias or name
        for inner in _models_in(field.annotation):
            if inner not in seen:
                yield from _keys(inner, seen)


def _tables() -> Iterator[type[BaseModel]]:
    yield from (FileTable, UnitTable, DeviceTable, StageTable)
    for name in registry.BUILT_IN:
        kind = registry.kind(name)
        yield kind.access
        yield from kind.stages.values()


@pytest.mark.parametrize("model", dict.fromkeys(_tables()), ids=lambda model: model.__name__)
def test_example_names_every_key(model: type[BaseModel]) -> None:
    """What the example leaves out is never found."""
    text = EXAMPLE.read_text()

    missing = [
        key
        for key in _keys(model, set())
        if not re.search(
            rf"(?m)(^|[\s{{#]){key} = |^(# )?\[+(device\.|unit\.)?{key}\b|\.{key}\]", text
        )
    ]
    assert missing == []


@pytest.mark.parametrize("role", Role)
def test_example_names_every_role(role: Role) -> None:
    """As with keys."""
    assert re.search(rf"\b{role}\b", EXAMPLE.read_text())
