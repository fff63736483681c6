"""Nothing that leaves moves a cursor, hides, or begins a line."""

from __future__ import annotations

import json
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.printable import printable, printable_json, printable_lines

HOSTILE = st.text(st.characters(categories=["L", "N", "P", "S", "Z", "C"]))


@pytest.mark.parametrize(
    "text, shown",
    [
        ("blue-7, 390 g ± 2 °C × 'µ'", "blue-7, 390 g ± 2 °C × 'µ'"),
        ("two\nlines\r\n", r"two\nlines\r\n"),
        ("a\tb", r"a\tb"),
        ("\x1b[2J\x07", r"\x1b[2J\x07"),
        ("\x7f\x85\x9b31m", r"\x7f\x85\x9b31m"),
        ("\u202egnihton\u2066\u200b\u2028", r"\u202egnihton\u2066\u200b\u2028"),
        ("\ud83d alone", r"\ud83d alone"),
        ("\U000e0041", r"\U000e0041"),
        ("C:\\new", "C:\\new"),
        ("", ""),
    ],
)
def test_each_sign_that_cannot_be_printed_is_an_escape(text: str, shown: str) -> None:
    """What can be printed stays, a blank and a backslash too."""
    assert shown == printable(text)


@given(HOSTILE)
def test_what_comes_out_is_one_line_of_signs(text: str) -> None:
    """No control, no format sign, no line's end, no half of a pair; twice is as once."""
    shown = printable(text)

    assert {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}.isdisjoint(map(unicodedata.category, shown))
    assert len(shown.splitlines()) <= 1
    assert shown == printable(shown)


@given(HOSTILE)
def test_several_lines_stay_several(text: str) -> None:
    """As many as there were, each printable."""
    shown = printable_lines(text).split("\n")

    assert [printable(line) for line in text.split("\n")] == shown


@given(st.recursive(HOSTILE, lambda inner: st.lists(inner) | st.dictionaries(HOSTILE, inner)))
def test_json_says_the_same_and_can_be_printed(value: object) -> None:
    """Halves of pairs and signs beyond the basic plane too, on one line."""
    shown = printable_json(json.dumps(value, ensure_ascii=False))

    assert value == json.loads(shown)
    assert shown.isprintable()
    shown.encode()
