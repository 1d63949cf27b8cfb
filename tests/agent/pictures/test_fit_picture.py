"""The picture of a fit: well formed, complete, and safe whatever a unit is called."""

from __future__ import annotations

import xml.etree.ElementTree as ElementTree

import pytest

from agent.pictures.fit_picture import fit_picture
from policies.fit import Fit, Known, Run, fit, predicted

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def found() -> Fit:
    return fit([Run(180.0, 0.7), Run(30.0, 3.1), Run(4.0, 7.4), Run(60.0, 0.6)], Known(600.0))


def _drawn(found: Fit, unit: str = "cabinet") -> ElementTree.Element:
    return ElementTree.fromstring(fit_picture(found, asked=predicted(found, [45.0]), unit=unit))


def test_every_run_and_every_prediction_is_drawn(found: Fit) -> None:
    """Those that do not fit are drawn as such; nothing is left out."""
    picture = _drawn(found)
    runs = picture.findall(f".//{SVG}g[@class='run']/{SVG}circle")

    assert [circle.get("class") for circle in runs] == ["good", "good", "good", "odd"]
    assert len(picture.findall(f".//{SVG}g[@class='prediction']")) == 1


def test_good_runs_lie_on_the_curve_and_the_short_one_beneath(found: Fit) -> None:
    """What is drawn is what was fitted: pixels agree."""
    picture = _drawn(found)
    likely = picture.find(f"{SVG}path[@class='likely']")
    assert likely is not None
    curve = [
        tuple(map(float, point.split(",")))
        for point in likely.get("d", "").removeprefix("M").split(" L")
    ]
    for circle in picture.findall(f".//{SVG}g[@class='run']/{SVG}circle"):
        x, y = float(circle.get("cx", "")), float(circle.get("cy", ""))
        nearest = min(curve, key=lambda point: abs(point[0] - x))
        if circle.get("class") == "good":
            assert y == pytest.approx(nearest[1], abs=8.0)
        else:
            assert y > nearest[1] + 40.0  # SVG counts downwards


def test_it_says_what_it_shows_to_those_who_cannot_see_it(found: Fit) -> None:
    """A title and a description, as the standard has them."""
    picture = _drawn(found)

    assert picture.get("role") == "img"
    assert "4 full runs" in (picture.findtext(f"{SVG}title") or "")
    assert "do not fit the others: 1" in (picture.findtext(f"{SVG}desc") or "")


def test_a_name_cannot_break_the_picture(found: Fit) -> None:
    """Nor put a script into a page that shows it."""
    picture = _drawn(found, unit='<script>alert("&")</script>')

    assert picture.findall(f".//{SVG}script") == []
    assert '<script>alert("&")</script>' in (picture.findtext(f"{SVG}title") or "")


def test_everything_is_inside_the_frame(found: Fit) -> None:
    """A point beyond the edge is a point nobody sees."""
    picture = _drawn(found)
    width, height = float(picture.get("width", "")), float(picture.get("height", ""))

    for circle in picture.iter(f"{SVG}circle"):
        assert 0.0 < float(circle.get("cx", "")) < width
        assert 0.0 < float(circle.get("cy", "")) < height


def test_no_label_hides_a_run_or_another_label() -> None:
    """Runs that do not fit lie close together, and loads that are asked for too."""
    odd = [Run(55.5, 1.6), Run(48.1, 1.55), Run(70.3, 1.05)]
    found = fit([Run(180.0, 0.7), Run(30.0, 3.1), Run(4.0, 7.4), *odd], Known(600.0))
    asked = predicted(found, [33.0, 36.0, 38.0, 100.0, 240.0, 250.0, 260.0])
    picture = ElementTree.fromstring(fit_picture(found, asked=asked))
    circles = [
        (float(circle.get("cx", "")), float(circle.get("cy", "")))
        for circle in picture.findall(f".//{SVG}g[@class='run']/{SVG}circle")
    ]
    boxes = [_box(text) for kind in ("run", "prediction")
             for text in picture.findall(f".//{SVG}g[@class='{kind}']/{SVG}text")]  # fmt: skip

    assert len(boxes) == 10
    for place, (left, top, right, bottom) in enumerate(boxes):
        assert not [c for c in circles if left < c[0] < right and top < c[1] < bottom]
        for other in boxes[place + 1 :]:
            assert other[0] > right or other[2] < left or other[1] >= bottom or other[3] <= top


def _box(text: ElementTree.Element) -> tuple[float, float, float, float]:
    """Left, top, right and bottom of a label, its letters reckoned as in a common face."""
    wide, x, y = 7.0 * len(text.text or ""), float(text.get("x", "")), float(text.get("y", ""))
    left = x - wide if text.get("text-anchor") == "end" else x
    return left, y - 11.0, left + wide, y + 3.0
