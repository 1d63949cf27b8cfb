"""What is known to work, since when, and by which settings."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from policies.grades import Earned, Grade, Lasts, standing

TODAY = date(2026, 6, 1)


def ago(days: int, settings: str = "now") -> Earned:
    return Earned(TODAY - timedelta(days=days), "seen", settings)


@pytest.mark.parametrize(
    ("days", "grade"),
    [(0, Grade.DRILLED), (365, Grade.DRILLED), (366, Grade.LOGIN_CHECKED)],
)
def test_a_drill_counts_for_a_year_and_then_what_is_next(days: int, grade: Grade) -> None:
    """A recorder drilled years ago has another disk by now, and the owner would rely on it."""
    earned = {"drilled": ago(days), "login checked": ago(45), "rehearsed": ago(3000)}
    found = standing(earned, settings="now", today=TODAY)

    assert found.grade is grade
    assert bool(found.stale) == (grade is not Grade.DRILLED)


def test_a_login_is_stale_after_45_days_and_the_sentence_says_so() -> None:
    """Passwords are changed, and nobody tells the box."""
    found = standing({"login checked": ago(46)}, settings="now", today=TODAY)

    assert found.grade is Grade.PLANNED
    assert found.sentence == "planned only; login checked 2026-04-16: too long ago"


def test_how_long_grades_last_can_be_set() -> None:
    """A site that drills every quarter wants to hear of the one that was left out."""
    earned = {"drilled": ago(100)}
    assert standing(earned, settings="now", today=TODAY).grade is Grade.DRILLED
    lasts = Lasts(drilled_s=90 * 86400.0)
    assert standing(earned, settings="now", today=TODAY, lasts=lasts).grade is Grade.PLANNED


def test_other_settings_void_a_grade_and_leave_those_earned_with_these() -> None:
    """What was shown of the old recorder says nothing of the new one at another address."""
    earned = {"drilled": ago(10, "then"), "login checked": ago(1)}
    found = standing(earned, settings="now", today=TODAY)

    assert found.grade is Grade.LOGIN_CHECKED
    assert found.voided == ((Grade.DRILLED, TODAY - timedelta(days=10)),)
    assert "drilled 2026-05-22: void" in found.sentence
