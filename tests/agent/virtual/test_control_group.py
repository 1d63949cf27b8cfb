"""The control group of RFC 1628 section 4.8, clause by clause, and the quirks of real units."""

import math

import pytest

from agent.virtual.control_group import NAMES, ControlGroup, Quirk
from drivers.transports.snmp_values import Status

TYPE, SHUTDOWN, STARTUP, REBOOT, RESTART = NAMES


class Unit:
    """An output that follows its control group, second by second."""

    def __init__(self, *quirks: Quirk) -> None:
        self.control = ControlGroup.of(quirks)
        self.at = 0.0
        self.mains, self.mains_at, self.output = True, -math.inf, True

    def set(self, name: str, value: int) -> Status:
        status = self.control.write(name, value, self.at)
        self.follow()
        return status

    def read(self, name: str) -> int | None:
        return self.control.read(name, self.at)

    def follow(self) -> None:
        self.output = self.control.wanted(
            self.at, mains=self.mains, output=self.output, restart_s=5.0, mains_at=self.mains_at
        )

    def wait(self, seconds: int) -> None:
        for _ in range(seconds):
            self.at += 1.0
            self.follow()

    def lose_mains(self) -> None:
        self.mains = False
        self.control.mains_failed(output=self.output)
        self.follow()

    def regain_mains(self) -> None:
        self.mains, self.mains_at = True, self.at
        self.follow()


def test_the_output_drops_when_the_shutdown_delay_has_passed() -> None:
    """RFC 1628, upsShutdownAfterDelay: after the number of seconds; it reads what is left."""
    unit = Unit()

    unit.set(SHUTDOWN, 60)
    unit.wait(59)
    before = unit.read(SHUTDOWN), unit.output
    unit.wait(1)

    assert before == (1, True)
    assert (unit.read(SHUTDOWN), unit.output) == (-1, False)


def test_nought_drops_the_output_at_once() -> None:
    """RFC 1628, upsShutdownAfterDelay: 0 acts immediately. A 0 for -1 would cost a site."""
    unit = Unit()

    unit.set(SHUTDOWN, 0)

    assert not unit.output


def test_minus_one_withdraws_a_countdown_and_a_new_one_replaces_it() -> None:
    """RFC 1628, upsShutdownAfterDelay: -1 aborts; setting starts the countdown anew."""
    unit = Unit()

    unit.set(SHUTDOWN, 60)
    unit.set(SHUTDOWN, 90)
    unit.wait(80)
    replaced = unit.output
    unit.set(SHUTDOWN, -1)
    unit.wait(600)

    assert replaced
    assert unit.output
    assert unit.read(SHUTDOWN) == -1


def test_mains_returning_withdraws_nothing() -> None:
    """Nothing in RFC 1628 says that it would; whoever relies on it loses the load."""
    unit = Unit()
    unit.lose_mains()
    unit.set(SHUTDOWN, 60)
    unit.wait(30)

    unit.regain_mains()
    unit.wait(31)

    assert not unit.output


def test_automatic_restart_needs_the_power_loss() -> None:
    """RFC 1628, upsAutoRestart: promised for a shutdown in a power loss, and for no other."""
    in_outage, on_mains = Unit(), Unit()
    in_outage.lose_mains()
    for unit in (in_outage, on_mains):
        unit.set(SHUTDOWN, 10)
        unit.wait(20)

    in_outage.regain_mains()
    in_outage.wait(5)
    on_mains.wait(600)

    assert in_outage.output
    assert not on_mains.output


def test_a_startup_delay_longer_than_the_shutdown_brings_it_back_on_good_mains() -> None:
    """RFC 1628, upsStartupAfterDelay: the output is turned on when it ends."""
    unit = Unit()
    unit.set(STARTUP, 90)
    unit.set(SHUTDOWN, 60)

    unit.wait(89)
    before = unit.output
    unit.wait(1)

    assert not before
    assert unit.output
    assert unit.read(STARTUP) == -1


def test_a_startup_delay_that_ends_first_has_no_effect() -> None:
    """RFC 1628: no effect on an output that is on. Armed shorter, it would leave a site dark."""
    unit = Unit()
    unit.set(STARTUP, 30)
    unit.set(SHUTDOWN, 60)

    unit.wait(600)

    assert not unit.output


def test_a_startup_without_mains_waits_for_it() -> None:
    """RFC 1628, upsStartupAfterDelay: if mains is absent, once it is there."""
    unit = Unit()
    unit.lose_mains()
    unit.set(STARTUP, 90)
    unit.set(SHUTDOWN, 60)
    unit.wait(600)
    before = unit.output

    unit.regain_mains()
    unit.wait(5)

    assert not before
    assert unit.output


def test_a_pending_startup_delays_automatic_restart() -> None:
    """RFC 1628, upsAutoRestart: a pending delay must elapse first."""
    unit = Unit()
    unit.lose_mains()
    unit.set(STARTUP, 300)
    unit.set(SHUTDOWN, 60)
    unit.wait(100)

    unit.regain_mains()
    unit.wait(199)
    before = unit.output
    unit.wait(1)

    assert not before
    assert unit.output


def test_a_reboot_is_off_at_once_and_on_again_after_its_duration() -> None:
    """RFC 1628, upsRebootWithDuration: immediately, for up to 300 s; a startup overrides it."""
    unit = Unit()

    refused = unit.set(REBOOT, 301)
    unit.set(REBOOT, 20)
    off = not unit.output
    unit.wait(20)

    assert refused is Status.WRONG_VALUE
    assert off
    assert unit.output


@pytest.mark.parametrize(
    ("name", "value"), [(TYPE, 3), (SHUTDOWN, -2), (STARTUP, -2), (RESTART, 0)]
)
def test_values_out_of_range_are_refused(name: str, value: int) -> None:
    """RFC 3416 section 4.2.5: wrongValue."""
    assert Unit().set(name, value) is Status.WRONG_VALUE


def test_quirks_are_what_they_are_called() -> None:
    """An agent that is only ever tried on a perfect unit is not tried."""
    fixed, deaf, eager = Unit(Quirk.READ_ONLY), Unit(Quirk.IGNORES), Unit(Quirk.RESTARTS_ANYHOW)
    stubborn, forgetful = Unit(Quirk.UNCANCELLABLE), Unit(Quirk.FORGETS)
    bare, tired = Unit(Quirk.NO_STARTUP), Unit(Quirk.NO_RESTART)

    for unit in (stubborn, forgetful, eager):
        unit.lose_mains()
        unit.set(STARTUP, 60)
        unit.set(SHUTDOWN, 30)
    stubborn.set(SHUTDOWN, -1)
    forgetful.control.card_restarted()
    eager.wait(60)

    assert fixed.set(SHUTDOWN, 30) is Status.NOT_WRITABLE
    assert (deaf.set(SHUTDOWN, 30), deaf.read(SHUTDOWN)) == (Status.NO_ERROR, -1)
    assert stubborn.read(SHUTDOWN) == 30
    assert (forgetful.read(SHUTDOWN), forgetful.read(STARTUP)) == (-1, -1)
    assert eager.output
    assert bare.read(STARTUP) is None
    assert bare.set(STARTUP, 60) is Status.NOT_WRITABLE
    assert (tired.read(RESTART), tired.set(RESTART, 1)) == (2, Status.NOT_WRITABLE)
    assert Unit(Quirk.NO_CONTROL).read(SHUTDOWN) is None
