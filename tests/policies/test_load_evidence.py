"""A load that falls by a device's watts proves it off; one that falls by chance proves nothing."""

from __future__ import annotations

import random
import statistics

import pytest

from policies.load_evidence import LoadPoint, Says, is_told_by, load_evidence, noise_of

TOLD_AT = 100.0


def course(
    before_w: float,
    after_w: float,
    *,
    falls_at: float = 110.0,
    ends_at: float = 130.0,
    noise_w: float = 0.0,
    seed: int = 1,
    step_w: float = 1.0,
) -> list[LoadPoint]:
    """A reading every two seconds, rounded as the unit rounds."""
    chance = random.Random(seed)
    points = []
    for tick in range(int(ends_at / 2)):
        at = 2.0 * tick
        watts = (before_w if at < falls_at else after_w) + chance.gauss(0.0, noise_w)
        points.append(LoadPoint(at, step_w * round(watts / step_w), step_w))
    return points


def says(points: list[LoadPoint], watts: float = 24.0, others_w: float = 0.0) -> Says:
    return load_evidence(points, told_at=TOLD_AT, watts=watts, others_w=others_w).says


def test_load_that_fell_by_the_devices_watts_proves_it_off() -> None:
    """A recorder without any interface can be left alone once its watts are gone."""
    assert says(course(140.0, 116.0)) is Says.FELL


def test_fall_has_to_be_seen_three_times() -> None:
    """One low reading is a glitch of the meter."""
    assert says(course(140.0, 116.0, ends_at=114.0)) is Says.NOTHING
    assert says(course(140.0, 116.0, ends_at=116.0)) is Says.FELL


def test_load_is_not_weighed_before_there_are_readings_enough() -> None:
    """Hundreds of devices ask every second: what is not there yet must cost next to nothing."""
    assert not is_told_by(course(140.0, 116.0, ends_at=106.0), told_at=TOLD_AT)
    assert is_told_by(course(140.0, 116.0, ends_at=108.0), told_at=TOLD_AT)
    assert not is_told_by(course(140.0, 116.0)[-18:], told_at=TOLD_AT)


def test_load_that_did_not_fall_says_that_it_is_on() -> None:
    """It said yes and runs on: what feeds it must not go yet."""
    assert says(course(140.0, 140.0)) is Says.STAYED


@pytest.mark.parametrize("after_w", [130.0, 80.0])
def test_fall_that_does_not_fit_proves_nothing(after_w: float) -> None:
    """A lamp, or a heater that nobody listed, went off at that moment."""
    assert says(course(140.0, after_w)) is Says.NOTHING


def test_fall_within_three_times_the_noise_proves_nothing() -> None:
    """What the load does by itself all the time is no evidence."""
    assert says(course(140.0, 116.0, noise_w=12.0)) is Says.NOTHING


def test_others_that_stop_meanwhile_are_accounted_for() -> None:
    """The fall may be theirs, however well it fits."""
    assert says(course(140.0, 116.0), others_w=30.0) is Says.NOTHING
    assert says(course(140.0, 80.0), others_w=60.0) is Says.NOTHING  # 60 of them, and it is on?
    assert says(course(140.0, 112.0), others_w=4.0) is Says.FELL
    assert says(course(140.0, 140.0), others_w=4.0) is Says.NOTHING


def test_coarse_meter_proves_nothing_of_a_small_device() -> None:
    """A percentage of 700 W comes in steps of 7 W."""
    assert says(course(140.0, 128.0, step_w=7.0), watts=12.0) is Says.NOTHING
    assert says(course(140.0, 105.0, step_w=7.0), watts=35.0) is Says.FELL


def test_too_few_readings_say_nothing() -> None:
    """An agent that has just started has seen no load to compare with."""
    assert says(course(140.0, 116.0)[47:]) is Says.NOTHING
    assert load_evidence([], told_at=TOLD_AT, watts=24.0).says is Says.NOTHING


def test_noise_is_the_standard_deviation_of_what_was_drawn() -> None:
    """Against the standard library's own estimate on a thousand normal draws, within 10 %."""
    chance = random.Random(7)
    drawn = [100.0 + chance.gauss(0.0, 8.0) for _ in range(1000)]
    points = [LoadPoint(float(at), watts, 0.1) for at, watts in enumerate(drawn)]

    assert noise_of(points) == pytest.approx(statistics.stdev(drawn), rel=0.1)


def test_a_step_in_the_load_is_no_noise() -> None:
    """A PC that went off a minute ago must not hide what goes off now."""
    assert noise_of(course(140.0, 80.0)) == 1.0


@pytest.mark.parametrize("noise_w", [1.0, 2.0, 4.0])
def test_chance_alone_hardly_ever_proves_a_device_off(noise_w: float) -> None:
    """Of a thousand loads that only make noise, none may look like a stop of 24 W."""
    proofs = sum(
        says(course(140.0, 140.0, noise_w=noise_w, seed=seed)) is Says.FELL for seed in range(1000)
    )
    assert proofs == 0


@pytest.mark.parametrize("noise_w", [0.5, 1.0, 2.0])
def test_true_stop_is_seen_nearly_always(noise_w: float) -> None:
    """Else nothing is gained: nine of ten at a noise of a twelfth of the device."""
    proofs = sum(
        says(course(140.0, 116.0, noise_w=noise_w, seed=seed)) is Says.FELL for seed in range(200)
    )
    assert proofs >= 180
