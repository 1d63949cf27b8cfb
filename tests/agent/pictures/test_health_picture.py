"""The picture of a battery's health: what was measured, the share at which it is replaced, when."""

from __future__ import annotations

from typing import Any
from xml.etree import ElementTree

from agent.pictures.health_picture import health_picture

_SVG = "{http://www.w3.org/2000/svg}"


def battery(*healths: float, likely: str | None = "2030-05-01") -> dict[str, Any]:
    """Return a document with one measurement a year; invented."""
    return {
        "unit": "cabinet <1>",
        "new_wh": 200.0,
        "end_of_life": 0.8,
        "passes": {"likely": likely, "early": None, "late": None},
        "measured": [
            {
                "date": f"{2024 + number}-05-01",
                "health": health,
                "lower_wh": 200.0 * (health - 0.05),
                "upper_wh": 200.0 * (health + 0.05),
                "counts": True,
            }
            for number, health in enumerate(healths)
        ],
    }


def test_each_measurement_is_a_dot_with_its_uncertainty_and_the_trend_leads_to_the_end() -> None:
    """Who owns the battery sees it age, and when to order another."""
    root = ElementTree.fromstring(health_picture(battery(1.0, 0.95, 0.91), name="b"))
    dots = [float(dot.get("cy", "")) for dot in root.iter(f"{_SVG}circle")]
    classes = [path.get("class") for path in root.iter(f"{_SVG}path")]

    assert len(dots) == 3 and dots == sorted(dots)
    assert classes.count("least") == 3 and "likely will" in classes
    assert "Likely due in 2030-05." in (root[1].text or "")
    assert "cabinet <1>" in (root[0].text or "")


def test_one_measurement_is_no_trend() -> None:
    """A line through one point would be an invention."""
    assert health_picture(battery(0.97), name="b") == ""


def test_without_a_forecast_none_is_drawn() -> None:
    root = ElementTree.fromstring(health_picture(battery(1.0, 0.99, likely=None), name="b"))

    assert not [p for p in root.iter(f"{_SVG}path") if p.get("class") == "likely will"]
    assert "due" not in (root[1].text or "")
