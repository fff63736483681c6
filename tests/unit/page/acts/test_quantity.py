"""Numbers as people type them are understood in one way, or not at all."""

from __future__ import annotations

from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.page.acts.quantity import UNITS, QuantityError, parse_quantity


@pytest.mark.parametrize(
    "text, unit, value",
    [
        ("40.5", "L", 40.5),
        ("40,5", "L", 40.5),
        ("40,5 l", "L", 40.5),
        (" 40 L ", "L", 40.0),
        ("6510", "g", 6510.0),
        ("6,51kg", "g", 6510.0),
        ("6 510 g", "g", 6510.0),
        ("6\u202f510", "g", 6510.0),
        ("500 ml", "L", 0.5),
        ("30 min", "h", 0.5),
        ("0,125", "ppt", 0.125),
        (".5", "h", 0.5),
        ("\u22120,5 °C", "°C", -0.5),
        ("34,1 ppt", "ppt", 34.1),
        ("1.0256", "", 1.0256),
        ("1,0256", "", 1.0256),
        ("1.000", "g", 1.0),
    ],
)
def test_a_number_is_taken_with_comma_or_point_and_with_a_unit(
    text: str, unit: str, value: float
) -> None:
    """A comma is decimal as a point is; a blank may part thousands."""
    assert value == pytest.approx(parse_quantity(text, unit))


@pytest.mark.parametrize("text", ["1,000", "40,500 L", "-1,000 g"])
def test_a_comma_that_may_part_thousands_is_asked_about(text: str) -> None:
    """Nobody can say whether 1,000 is a thousand or one; both are named."""
    with pytest.raises(QuantityError, match="may mean"):
        parse_quantity(text, "L")


@pytest.mark.parametrize(
    "text",
    ["", "forty", "4_0", "nan", "inf", "1e3", "1,2,3", "1.234,5", "12 34", "+", ".", "4" * 41],
)
def test_what_is_no_number_is_refused_with_an_example(text: str) -> None:
    """Also what other programs would take for one."""
    with pytest.raises(QuantityError, match="such as 6510 g"):
        parse_quantity(text, "g", "6510")


@pytest.mark.parametrize("text, unit", [("3 lb", "g"), ("80 °F", "°C"), ("1.02 sg", "")])
def test_another_unit_is_refused_and_the_right_one_named(text: str, unit: str) -> None:
    """Nothing is converted that was not meant."""
    with pytest.raises(QuantityError, match="such as"):
        parse_quantity(text, unit)


@given(st.text(max_size=50), st.sampled_from(sorted(UNITS)))
def test_no_text_gives_anything_but_a_finite_number_or_a_sentence(text: str, unit: str) -> None:
    """Whatever is typed."""
    value = 0.0
    with suppress(QuantityError):
        value = parse_quantity(text, unit)

    assert abs(value) < 1e19


@given(st.floats(-1e6, 1e6), st.sampled_from([".", ","]))
def test_a_number_comes_back_as_it_was_written(value: float, mark: str) -> None:
    """With four digits after the mark, which parts no thousands."""
    text = f"{value:.4f}"

    assert float(text) == parse_quantity(text.replace(".", mark), "ppt")
