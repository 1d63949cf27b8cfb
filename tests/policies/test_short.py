"""What is left out of a stop when time runs short: first, second, last, and never."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest

from policies.model import Device
from policies.short import (
    SKIPPED_IN_ORDER,
    Part,
    Short,
    goes_unverified,
    is_skipped,
    may_skip,
)
from tests.policies.sites import DESK, RECORDER, SWITCH

CUT = replace(RECORDER, is_cut=True)
OLD = replace(RECORDER, stop_s=None, by_writers=True)
ONLY_QUIESCED = replace(RECORDER, stop_s=None)


def test_parts_are_left_out_in_this_order() -> None:
    """Another order would drop the quiescing while there is time to send it."""
    assert [skipped.part for skipped in SKIPPED_IN_ORDER] == [
        Part.CONFIRM,
        Part.QUIESCE,
        Part.VERIFY,
    ]


def test_shorter_time_leaves_out_one_part_more_and_takes_none_up_again() -> None:
    """Else a stop would wait again for what it had already given up."""
    left_out = [{part for part in Part if is_skipped(RECORDER, part, short)} for short in Short]

    assert [len(parts) for parts in left_out] == [0, 1, 2, 3]
    assert all(less < more for less, more in pairwise(left_out))


@pytest.mark.parametrize("device", [RECORDER, CUT, OLD, ONLY_QUIESCED, SWITCH])
@pytest.mark.parametrize("part", [Part.REMEMBER, Part.STOP])
def test_stop_and_what_undoes_a_change_are_never_left_out(device: Device, part: Part) -> None:
    """A change that nobody kept could not be put back; a stop is what all this is for."""
    assert not any(is_skipped(device, part, short) for short in Short)


@pytest.mark.parametrize("device", [CUT, OLD])
def test_quiescing_that_is_all_that_protects_a_recording_is_never_left_out(device: Device) -> None:
    """Power taken away from a recorder that writes is the harm itself."""
    assert not may_skip(device, Part.QUIESCE)
    assert not may_skip(device, Part.CONFIRM)


def test_device_that_is_only_quiesced_keeps_its_quiescing() -> None:
    """There is no stop that would do the same."""
    assert not is_skipped(ONLY_QUIESCED, Part.QUIESCE, Short.LAST)


def test_only_what_holds_data_goes_on_before_its_users_are_seen_to_be_off() -> None:
    """Stopping a switch saves nothing: it waits for ever."""
    assert goes_unverified(RECORDER, DESK, Short.LAST)
    assert not goes_unverified(RECORDER, DESK, Short.IN_SHORT)
    assert not goes_unverified(RECORDER, SWITCH, Short.LAST)
