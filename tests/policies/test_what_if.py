"""Changes to a site that are only thought of."""

from __future__ import annotations

import pytest

from policies.load import listed_draw
from policies.model import Device, Role, Site
from policies.what_if import Addition, feed_for, with_added, without
from tests.policies.sites import CAMERA, DESK, RECORDER, SWITCH, site_of

SITE = site_of()


def _load_w(site: Site) -> float:
    return listed_draw(site, "cabinet").day


def test_ten_cameras_more_hang_where_the_first_one_does() -> None:
    """On the switch, whose losses they add to: by hand, watts at the port over 90 %."""
    more = with_added(SITE, Addition(Role.CAMERA, 10, 5.0, 8.0), unit="cabinet")

    added = [d for d in more.devices.values() if d.name.startswith("more camera")]
    assert [d.name for d in added][:2] == ["more camera 1", "more camera 2"]
    assert {d.feeds for d in added} == {("yard switch",)}
    one_w = _load_w(SITE) - _load_w(site_of(SWITCH, RECORDER, DESK))
    assert _load_w(more) - _load_w(SITE) == pytest.approx(10 * one_w)


def test_addition_of_a_new_role_is_plugged_into_the_unit_and_another_where_it_is_told() -> None:
    """A modem has no port to hang on."""
    modem = Addition(Role.MODEM, 1, 9.0, 9.0)

    assert feed_for(SITE, modem, unit="cabinet") == "cabinet"
    assert _load_w(with_added(SITE, modem, unit="cabinet")) == pytest.approx(_load_w(SITE) + 9.0)
    on_mains = Addition(Role.MODEM, 1, 9.0, 9.0, feed="mains")
    assert _load_w(with_added(SITE, on_mains, unit="cabinet")) == pytest.approx(_load_w(SITE))


def test_names_that_are_taken_are_left_alone() -> None:
    """Otherwise a device of the file would silently make room for a guess."""
    taken = site_of(*SITE.devices.values(), Device("more modem 1", feeds=("cabinet",)))

    more = with_added(taken, Addition(Role.MODEM, 2, 9.0, 9.0), unit="cabinet")

    assert {"more modem 1", "more modem 2", "more modem 3"} <= set(more.devices)
    assert more.devices["more modem 1"].watts == 0.0


def test_what_only_a_dropped_device_feeds_goes_along() -> None:
    """A camera without its switch draws nothing."""
    rest, gone = without(SITE, ["yard switch"])

    assert gone == ("yard switch", "slipway camera")
    assert set(rest.devices) == {"gate recorder", "desk"}
    assert rest.devices["desk"].path == ()
    assert _load_w(rest) == 85.0


def test_device_with_another_feed_stays() -> None:
    """It lives on from that one."""
    camera = Device("slipway camera", Role.CAMERA, 5, 8, ("yard switch", "cabinet"))

    rest, gone = without(site_of(SWITCH, camera), ["yard switch"])

    assert gone == ("yard switch",)
    assert rest.devices["slipway camera"].feeds == ("cabinet",)


def test_unknown_names_are_refused() -> None:
    """A typing error must not answer another question."""
    with pytest.raises(ValueError, match='no device is called "desc"'):
        without(SITE, ["desc"])
    with pytest.raises(ValueError, match='nothing is called "yard swich"'):
        with_added(SITE, Addition(Role.CAMERA, 1, 5.0, 5.0, feed="yard swich"), unit="cabinet")


def test_the_site_itself_is_not_changed() -> None:
    """It is only thought of."""
    with_added(SITE, Addition(Role.CAMERA, 3, 5.0, 8.0), unit="cabinet")
    without(SITE, ["desk"])

    assert list(SITE.devices) == [SWITCH.name, CAMERA.name, RECORDER.name, DESK.name]
