"""The scale shows where a salinity and its interval lie, wherever that is."""

from __future__ import annotations

import re
from itertools import pairwise
from xml.etree import ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.page.now.bridge_gauge import (
    HEIGHT,
    MIDDLE,
    WIDTH,
    BridgeGauge,
    bridge_gauge,
    gauge_words,
)


def drawn(salinity: float | None, expanded_u: float | None = 0.4) -> BridgeGauge:
    """The drawing of a salinity about 34 ± 1."""
    found = bridge_gauge(salinity, expanded_u, 34.0, 1.0)
    assert found is not None
    return found


def xs(path: str) -> list[float]:
    """Where a path goes, along the screen: what follows a letter, and the last pair of an arc."""
    places = re.findall(r"(?:[ML]|A[\d.]+ [\d.]+ [-\d.]+ [01] [01] )(-?[\d.]+) ", path)
    return [float(each) for each in places]


def middle(salinity: float) -> float:
    """Where a hand at this salinity crosses the middle of the tube."""
    hand = drawn(salinity).hand
    assert hand is not None
    return (hand.x1 + hand.x2) / 2.0


def test_the_bubble_of_a_reading_inside_is_round_and_as_wide_as_its_interval() -> None:
    """From 33.5 to 34.3; its round ends take their room within that."""
    path = drawn(33.9).bubble
    left, right, *_ = xs(path)
    (cap, *_), *_ = re.findall(r"A([\d.]+) 9 ", path)

    assert 4 == path.count("A")
    assert middle(33.5) == pytest.approx(left - float(cap), abs=0.6)
    assert middle(34.3) == pytest.approx(right + float(cap), abs=0.6)


def test_the_bubble_of_a_reading_outside_is_square_and_as_wide_as_its_interval() -> None:
    """From 35.7 to 36.3, and no part of it between the marks."""
    found = drawn(36.0, 0.3)
    left, right, far, near = xs(found.bubble)[:4]

    assert 2 == found.bubble.count("A")
    assert middle(35.7) == pytest.approx((left + near) / 2.0, abs=0.2)
    assert middle(36.3) == pytest.approx((right + far) / 2.0, abs=0.2)
    assert not found.inside


def test_a_salinity_without_uncertainty_has_a_hand_and_no_bubble() -> None:
    """A bubble without width would say that it is known exactly."""
    found = drawn(33.9, None)

    assert ("", True) == (found.bubble, found.hand is not None)
    assert found.words == "within 33 to 35 ppt; its uncertainty is not known"


@pytest.mark.parametrize("u", [float("nan"), float("inf"), -0.1])
def test_an_uncertainty_that_is_none_is_not_known(u: float) -> None:
    """A journal may hold anything."""
    assert "" == drawn(33.9, u).bubble


@pytest.mark.parametrize("salinity, side", [(0.05, -1), (30.9, -1), (37.1, 1), (99.0, 1)])
def test_beyond_the_scale_an_arrow_points_to_it(salinity: float, side: int) -> None:
    """The hand is not put at the end, where it would show another salinity."""
    found = drawn(salinity, 0.01)

    assert found.hand is None
    assert "" == found.bubble
    assert all((x - MIDDLE) * side > 150.0 for x in xs(found.arrow))
    assert not found.inside


def test_an_interval_that_reaches_beyond_the_scale_is_cut_there() -> None:
    """With a straight end; the other end stays round."""
    found = drawn(34.5, 4.0)

    assert found.bubble
    assert 2 == found.bubble.count("A")
    assert drawn(34.0, 0.4).bubble.count("A") == 4


@pytest.mark.parametrize(
    "salinity, expanded_u, words",
    [
        (34.0, 0.5, "within 33 to 35 ppt, its interval too"),
        (34.8, 0.5, "within 33 to 35 ppt; its interval reaches beyond 35"),
        (33.1, 0.5, "within 33 to 35 ppt; its interval reaches beyond 33"),
        (34.0, 1.5, "within 33 to 35 ppt; its interval reaches beyond 33 and 35"),
        (35.1, 0.5, "outside 33 to 35 ppt"),
        (32.0, None, "outside 33 to 35 ppt"),
    ],
)
def test_the_words_say_what_the_drawing_shows(
    salinity: float, expanded_u: float | None, words: str
) -> None:
    """For who does not see it."""
    assert words == gauge_words(salinity, expanded_u, (33.0, 35.0))


@pytest.mark.parametrize("target, tolerance", [(34.0, 1.0), (20.0, 0.5), (35.0, 2.5), (34.0, 0.3)])
def test_the_scale_has_numbers_that_do_not_touch(target: float, tolerance: float) -> None:
    """Those of the limits always; round ones between them where there is room."""
    found = bridge_gauge(target, 0.1, target, tolerance)
    assert found is not None
    labels = sorted((*found.numbers, *found.limit_numbers), key=lambda each: each.x)

    assert [f"{target - tolerance:g}", f"{target + tolerance:g}"] == [
        each.text for each in found.limit_numbers
    ]
    assert all(after.x - before.x > 25.0 for before, after in pairwise(labels))
    assert [float(each.text) for each in labels] == sorted(float(each.text) for each in labels)
    assert len(labels) >= 4
    assert 10 <= found.graduations.count("M") <= 40


@pytest.mark.parametrize(
    "salinity, target, tolerance",
    [(None, 34.0, 1.0), (float("nan"), 34.0, 1.0), (34.0, 34.0, 0.0), (34.0, float("inf"), 1.0)],
)
def test_without_a_salinity_or_an_interval_there_is_no_drawing(
    salinity: float | None, target: float, tolerance: float
) -> None:
    """Nothing is drawn where nothing can be read from it."""
    assert bridge_gauge(salinity, 0.1, target, tolerance) is None


@given(
    st.floats(allow_nan=False, allow_infinity=False),
    st.none() | st.floats(),
    st.floats(1.0, 45.0),
    st.floats(0.05, 20.0),
)
def test_whatever_is_read_the_drawing_stays_on_its_sheet(
    salinity: float, expanded_u: float | None, target: float, tolerance: float
) -> None:
    """Every mark of it, and every path is one that a browser takes."""
    found = bridge_gauge(salinity, expanded_u, target, tolerance)
    assert found is not None
    lines = [*found.limits, found.target, *([found.hand] if found.hand else [])]

    assert all(0.0 <= x <= WIDTH for each in lines for x in (each.x1, each.x2))
    assert all(0.0 <= y <= HEIGHT for each in lines for y in (each.y1, each.y2))
    for path in (found.tube, found.interval, found.graduations, found.bubble, found.arrow):
        assert re.fullmatch(r"[MLAZ0-9. -]*", path)
        assert all(0.0 <= x <= WIDTH for x in xs(path))
        ET.fromstring(f'<path d="{path}"/>')  # noqa: S314 - our own text
    assert (found.hand is None) == bool(found.arrow)
