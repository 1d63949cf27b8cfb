"""What the audit makes of the service's answer; silence is not a clean bill."""

from __future__ import annotations

from tests.supply.audit import verdict

CLEAN = {"name": "sound", "version": "1.0", "vulns": []}
FLAWED = {
    "name": "leaky", "version": "2.0", "vulns": [{"id": "PYSEC-1", "fix_versions": ["2.1"]}],
}  # fmt: skip
UNASKED = {"name": "unknown", "version": "3.0", "skip_reason": "not found"}


def test_known_flaw_is_named_with_the_release_that_mends_it() -> None:
    """Whoever maintains the pins needs no second look-up."""
    status, lines = verdict([CLEAN, FLAWED, UNASKED])
    assert status == 1
    assert lines == ["leaky 2.0: PYSEC-1, mended in 2.1"]


def test_what_could_not_be_asked_is_no_clean_bill() -> None:
    """Without a network everything would look sound."""
    assert verdict([CLEAN, UNASKED])[0] == 3
    assert verdict([])[0] == 3


def test_clean_bill_says_how_much_was_asked() -> None:
    """An audit of nothing must not read like an audit."""
    assert verdict([CLEAN]) == (0, ["no flaw is known in any of 1 packages"])
