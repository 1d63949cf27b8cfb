"""The power budget: losses by the standard's own table, sums that add up, overloads named."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from policies.budget import Budget, budget_of
from policies.load import (
    BOOT_FACTOR,
    CORRECTED_POWER_FACTOR,
    SMALL_POWER_FACTOR,
    Draw,
    listed_draw,
    listed_va,
    load_steps,
)
from policies.model import MAINS_FEED, Battery, Device, Role, Site, Unit
from policies.night import Light, LightStep
from policies.poe import at_port_w
from policies.runtime import LoadStep
from tests.policies.sites import CABINET, site_of

LOFT = Unit("loft", 600, 360, Battery(watt_hours=100.0))
SWITCH = Device("yard switch", Role.SWITCH, 9, 9, ("cabinet",))
CAMERA = Device("slipway camera", Role.CAMERA, 5, 8, ("yard switch",))
LAMP = Device("lamp", Role.OTHER, 10, 30, ("cabinet",), power_factor=0.5)


def _codes(budget: Budget) -> list[tuple[str, str]]:
    return [(overload.about, overload.code) for overload in budget.overloads]


# What is lost on the way


@pytest.mark.parametrize(
    ("at_device_w", "at_port"),
    [(12.95, 15.4), (3.84, 4.0), (6.49, 7.0), (25.5, 30.0), (40.0, 45.0), (51.0, 60.0),
     (62.0, 75.0), (71.3, 90.0)],
)  # fmt: skip
def test_longest_cable_loses_what_the_classes_of_ieee_802_3_allow(
    at_device_w: float, at_port: float
) -> None:
    """Source: IEEE 802.3 clauses 33 and 145, power at PD and PSE by class (3, 1, 2, 4 to 8)."""
    found = at_port_w(at_device_w, most_w=at_device_w, cable_m=100.0)

    assert found == pytest.approx(at_port, rel=0.003)


@given(st.floats(0.0, 71.0), st.floats(0.0, 100.0))
def test_port_gives_what_arrives_and_what_the_cable_heats(device_w: float, cable_m: float) -> None:
    """Ohm's law, put back into the answer."""
    port_w = at_port_w(device_w, most_w=72.0, cable_m=cable_m)

    heat_w = 6.25 * cable_m / 100.0 * (port_w / 52.0) ** 2
    assert port_w == pytest.approx(device_w + heat_w, rel=1e-9)


def test_no_cable_loses_nothing_and_an_impossible_one_does_not_fail() -> None:
    """Watts measured at the port are the port's; nonsense in a file is a warning, not a crash."""
    assert at_port_w(7.0, most_w=7.0, cable_m=0.0) == 7.0
    assert at_port_w(500.0, most_w=500.0, cable_m=100.0) == 1000.0


@pytest.mark.parametrize(
    ("bare_w", "cameras", "measured_w"), [(18.4, 4, 33.3), (3.0, 4, 16.1), (3.0, 10, 41.3)]
)
def test_fed_cameras_cost_about_what_metered_ones_do(
    bare_w: float, cameras: int, measured_w: float
) -> None:
    """Metered at the plug of a recorder and a switch that feed cameras of 3.2 W each.

    Common practice, no source; cables and supplies differ, hence the tolerance.
    """
    feeder = Device("feeder", Role.SWITCH, bare_w, bare_w, ("cabinet",))
    fed = [Device(f"camera {n}", Role.CAMERA, 3.2, 3.2, ("feeder",)) for n in range(cameras)]

    found = listed_draw(site_of(feeder, *fed), "cabinet")

    assert found.day == pytest.approx(measured_w, rel=0.12)


def test_switch_takes_its_own_watts_and_its_ports_by_its_efficiency() -> None:
    """By hand: 9 W bare, 45 W through ports of 90 %: 59 W."""
    switch = replace(SWITCH, poe_efficiency=0.9)
    camera = replace(CAMERA, watts=45.0, night_watts=45.0, cable_m=0.0)

    found = listed_draw(site_of(switch, camera), "cabinet")

    assert found.day == pytest.approx(9.0 + 45.0 / 0.9)


def test_losses_grow_along_a_chain_of_feeders() -> None:
    """A recorder that feeds a switch that feeds a camera: each pays for what is behind it."""
    recorder = Device("recorder", Role.RECORDER, 20, 20, ("cabinet",), poe_efficiency=0.5)
    switch = replace(SWITCH, feeds=("recorder",), poe_efficiency=0.5, cable_m=0.0)
    camera = replace(CAMERA, watts=2.0, night_watts=4.0, cable_m=0.0)

    found = listed_draw(site_of(recorder, switch, camera), "cabinet")

    assert found.day == pytest.approx(20.0 + (9.0 + 2.0 / 0.5) / 0.5)
    assert found.night == pytest.approx(20.0 + (9.0 + 4.0 / 0.5) / 0.5)


# By day, by night, at a start


def test_lights_count_by_night_and_the_greater_where_nobody_knows() -> None:
    """A sign lit by day and a camera's lights never meet, unless nobody knows the light."""
    sign = Device("sign", Role.OTHER, 12, 2, ("cabinet",))
    lamp = Device("lamp", Role.OTHER, 1, 21, ("cabinet",))

    found = listed_draw(site_of(sign, lamp), "cabinet")

    assert [found.at(light) for light in (Light.DAY, Light.NIGHT, Light.UNKNOWN)] == [13, 23, 33]


def test_start_draws_what_the_file_says_else_an_assumed_share_more() -> None:
    """Everything boots at once when power returns; that is the moment of most load."""
    measured = Device("pc", Role.COMPUTER, 40, 40, ("cabinet",), boot_watts=90.0)
    unknown = Device("desk", Role.COMPUTER, 40, 50, ("cabinet",))
    too_low = Device("heater", Role.OTHER, 40, 60, ("cabinet",), boot_watts=5.0)

    found = listed_draw(site_of(measured, unknown, too_low), "cabinet")

    assert found.boot == 90.0 + 50.0 * BOOT_FACTOR + 60.0


def test_load_steps_up_at_dusk() -> None:
    """An outage at five runs into the night."""
    site = site_of(LAMP)
    lights = [LightStep(0.0, Light.DAY), LightStep(1020.0, Light.NIGHT), LightStep(9e4, Light.DAY)]

    steps = load_steps(site, "cabinet", lights)

    assert steps == (LoadStep(0.0, 10.0), LoadStep(1020.0, 30.0), LoadStep(9e4, 10.0))


def test_load_without_lights_has_one_step() -> None:
    """A step that changes nothing only costs time in every estimate."""
    site = site_of(replace(LAMP, night_watts=10.0))
    lights = [LightStep(0.0, Light.DAY), LightStep(1020.0, Light.NIGHT)]

    assert load_steps(site, "cabinet", lights) == (LoadStep(0.0, 10.0),)


def test_what_hangs_on_a_stopped_switch_draws_nothing() -> None:
    """Its cameras have no power either, whether or not anybody told them."""
    site = site_of(SWITCH, CAMERA, LAMP)

    assert listed_draw(site, "cabinet", on={"slipway camera", "lamp"}).day == 10.0


# Volt-amperes


def test_volt_amperes_are_those_of_the_plug() -> None:
    """A camera has no plug: its watts go through its switch's supply."""
    switch = replace(SWITCH, power_factor=0.5, poe_efficiency=1.0)
    camera = replace(CAMERA, watts=6.0, night_watts=6.0, cable_m=0.0)

    assert listed_va(site_of(switch, camera), "cabinet").day == pytest.approx(15.0 / 0.5)


@pytest.mark.parametrize(
    ("watts", "factor"), [(74.9, SMALL_POWER_FACTOR), (75.0, CORRECTED_POWER_FACTOR)]
)
def test_small_supplies_are_taken_for_uncorrected(watts: float, factor: float) -> None:
    """IEC 61000-3-2 limits the harmonics of supplies from 75 W on (from memory)."""
    device = Device("pc", Role.COMPUTER, watts, watts, ("cabinet",))

    assert listed_va(site_of(device), "cabinet").day == pytest.approx(watts / factor)


# The table


def _sites() -> st.SearchStrategy[Site]:
    def device(number: int, feeds: list[int], day: float, night: float, share: float) -> Device:
        # 0 and 1 are the units, 2 the mains socket, and from 3 on the devices before this one.
        known = ["cabinet", "loft", MAINS_FEED, *(f"device {n}" for n in range(number))]
        names = dict.fromkeys(known[feed % len(known)] for feed in feeds)
        return Device(
            f"device {number}", Role.OTHER, day, night, tuple(names), poe_efficiency=share
        )

    draws = st.tuples(
        st.lists(st.integers(0, 30), min_size=1, max_size=3),
        st.floats(0.0, 40.0),
        st.floats(0.0, 40.0),
        st.floats(0.5, 1.0),
    )
    return st.lists(draws, max_size=12).map(
        lambda drawn: (
            site_of(
                *(device(number, *each) for number, each in enumerate(drawn)), units=(CABINET, LOFT)
            )
            if drawn
            else Site("empty", {"cabinet": CABINET, "loft": LOFT}, {})
        )
    )


def _figures(draw: Draw) -> list[float]:
    return [draw.day, draw.night, draw.most, draw.boot]


@given(_sites())
def test_table_adds_up_line_by_line_and_feed_by_feed(site: Site) -> None:
    """Whoever checks the sums with a pocket calculator finds no tenth of a watt too much."""
    budget = budget_of(site)

    for feed in budget.feeds:
        for k in range(4):
            lines_w = [_figures(line.watts)[k] for line in feed.lines]
            lines_va = [_figures(line.va)[k] for line in feed.lines]
            assert round(10 * sum(lines_w)) == round(10 * _figures(feed.watts)[k])
            assert round(10 * sum(lines_va)) == round(10 * _figures(feed.va)[k])
    for k in range(4):
        feeds_w = sum(_figures(feed.watts)[k] for feed in budget.feeds)
        whole_w = _figures(budget.watts)[k] + _figures(budget.twice_watts)[k]
        assert round(10 * feeds_w) == round(10 * whole_w)


@given(_sites())
def test_table_is_what_the_plan_reckons_with(site: Site) -> None:
    """Rounding apart, both are the same load, and every device stands in it."""
    budget = budget_of(site)

    for feed in budget.feeds:
        exact = listed_draw(site, feed.name)
        slack = 0.051 * len(feed.lines)
        assert feed.watts.day == pytest.approx(exact.day, abs=slack + 0.05)
        assert feed.watts.boot == pytest.approx(exact.boot, abs=slack + 0.05)
        assert feed.va.night == pytest.approx(listed_va(site, feed.name).night, abs=slack + 0.05)
        assert all(line.watts.day >= -0.05 for line in feed.lines)
    listed = {line.device for feed in budget.feeds for line in feed.lines}
    assert listed == set(site.devices)


def test_device_with_two_feeds_counts_whole_at_each_and_once_in_all() -> None:
    """Its load may move to either; the site does not draw it twice for that."""
    box = Device("box", Role.AGENT_BOX, 6, 6, ("cabinet", "loft"))

    budget = budget_of(site_of(LAMP, box, units=(CABINET, LOFT)))

    cabinet, loft = budget.feeds
    assert (cabinet.watts.day, loft.watts.day) == (16.0, 6.0)
    assert (budget.watts.day, budget.twice_watts.day) == (16.0, 6.0)
    assert [line.also_on for line in loft.lines] == [("cabinet",)]


def test_mains_sockets_stand_apart() -> None:
    """They draw nothing in an outage, and yet the site's owner pays for them."""
    monitor = Device("monitor", Role.MONITOR, 30, 30, (MAINS_FEED,))

    budget = budget_of(site_of(LAMP, monitor))

    assert [(feed.name, feed.unit, feed.watts.day) for feed in budget.feeds] == [
        ("cabinet", CABINET, 10.0),
        (MAINS_FEED, None, 30.0),
    ]


def test_overload_by_night_is_said_with_both_figures() -> None:
    """Fine by day, too much after dark: nobody sees it when the site is handed over."""
    floods = Device("floods", Role.OTHER, 100, 720, ("cabinet",), boot_watts=720.0)

    (overload,) = budget_of(site_of(floods)).overloads

    assert (overload.about, overload.code) == ("cabinet", "overload-w")
    assert "720 W by night" in overload.message
    assert "rated at 700 W" in overload.message
    assert "by day" not in overload.message


@pytest.mark.parametrize(
    ("device", "codes"),
    [
        (Device("pc", Role.COMPUTER, 690, 690, ("cabinet",), power_factor=1.0, boot_watts=690), []),
        (
            Device("pc", Role.COMPUTER, 650, 650, ("cabinet",), power_factor=0.6, boot_watts=650),
            [("cabinet", "overload-va")],
        ),
        (
            Device("pc", Role.COMPUTER, 500, 500, ("cabinet",), power_factor=1.0),
            [("cabinet", "overload-w-boot")],
        ),
        (
            Device("pc", Role.COMPUTER, 800, 800, ("cabinet",), power_factor=1.0, boot_watts=800),
            [("cabinet", "overload-w")],
        ),
        (
            Device("pc", Role.COMPUTER, 450, 450, ("cabinet",), power_factor=0.6, boot_watts=690),
            [("cabinet", "overload-va-boot")],
        ),
    ],
)
def test_watts_and_volt_amperes_each_bind_running_and_starting(
    device: Device, codes: list[tuple[str, str]]
) -> None:
    """A unit of 1000 VA and 700 W: whichever is passed first trips it."""
    assert _codes(budget_of(site_of(device))) == codes


def test_ports_that_are_asked_for_more_than_they_give_are_named() -> None:
    """The switch would drop the camera of least priority on the first dark evening."""
    switch = replace(SWITCH, poe_watts=15.0)
    cameras = [replace(CAMERA, name=f"camera {n}") for n in range(2)]

    (overload,) = budget_of(site_of(switch, *cameras)).overloads

    assert (overload.about, overload.code) == ("yard switch", "overload-poe")
    assert "give 15 W" in overload.message


def test_device_that_no_port_can_feed_is_named() -> None:
    """A monitor written as fed by a switch most likely has a plug of its own."""
    monitor = Device("monitor", Role.MONITOR, 85, 85, ("yard switch",))

    assert ("monitor", "overload-port") in _codes(budget_of(site_of(SWITCH, monitor)))
    plugged = replace(monitor, cable_m=0.0)
    assert ("monitor", "overload-port") not in _codes(budget_of(site_of(SWITCH, plugged)))


def test_each_assumption_is_said_and_none_that_was_not_made() -> None:
    """A figure that nobody measured must not pass for one."""
    guessed = budget_of(site_of(SWITCH, CAMERA, Device("bell", feeds=("cabinet",)))).assumptions
    known = replace(LAMP, boot_watts=10.0)

    assert any("bell" in text for text in guessed)
    assert any("boot_watts" in text and "2 of 2" in text for text in guessed)
    assert any("power_factor" in text and "2 of 2" in text for text in guessed)
    assert any("90 %" in text for text in guessed)
    assert any("100 m" in text and "1 of 1" in text for text in guessed)
    assert budget_of(site_of(known)).assumptions == ()


def test_budget_of_a_site_without_devices_is_empty() -> None:
    """A file that is only begun is no error here."""
    budget = budget_of(Site("new", {"cabinet": CABINET}, {}))

    assert budget.watts == Draw()
    assert [feed.lines for feed in budget.feeds] == [()]
