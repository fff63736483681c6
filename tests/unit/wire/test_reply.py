"""A pattern of the configuration: which is taken, and that none can take for ever."""

from __future__ import annotations

import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.wire.line import LINE_LIMIT, Spoken, Unreadable, parse
from daemon.wire.reply import checked_reply, reply_pattern

LONGEST_S = 1.0
"""Generous: what Python's own matching would take is longer than the age of the water."""

TAIL = r",(?P<temperature>\d)"


@pytest.mark.parametrize(
    "pattern, line",
    [
        (r"(?P<conductivity>(\d+)+)" + TAIL, "1" * LINE_LIMIT),
        (r"(?P<conductivity>(\d|\d\d)*)" + TAIL, "1" * LINE_LIMIT),
        (r"(?P<conductivity>\d*\d*\d*\d*\d*\d*)" + TAIL, "1" * LINE_LIMIT),
        (r"(?P<conductivity>([\w.]*\s*)*)" + TAIL, "a " * (LINE_LIMIT // 2)),
        (r"(?P<conductivity>(.{0,30}){0,30})" + TAIL, "\ufffd" * LINE_LIMIT),
    ],
)
def test_no_pattern_is_slow_on_a_line_that_does_not_fit(pattern: str, line: str) -> None:
    """Patterns that keep Python's own matching busy for years give up at once."""
    reply = reply_pattern(pattern)
    began_s = time.thread_time()
    with pytest.raises(Unreadable, match="does not fit the pattern"):
        parse(line, reply)

    assert time.thread_time() - began_s < LONGEST_S


def test_what_fits_is_read_by_the_names_of_its_groups() -> None:
    """A group that took no part says nothing."""
    reply = reply_pattern(r"C=(?P<conductivity>[\d.]+) T=(?P<temperature>[\d.]+)( P=(?P<pump>\d))?")

    assert Spoken(42.9, 24.5, None) == parse("C=42.9 T=24.5", reply)
    assert Spoken(42.9, 24.5, True) == parse("C=42.9 T=24.5 P=1", reply)


@pytest.mark.parametrize("group", ["conductivity", "pump"])
def test_half_a_letter_is_no_number_and_no_word(group: str) -> None:
    """RE2 lets a pattern take a letter apart into its bytes."""
    other = "temperature" if group == "conductivity" else "conductivity"
    reply = reply_pattern(rf"(?P<{group}>\C)\C(?P<{other}>\d+)")

    if group == "conductivity":
        with pytest.raises(Unreadable, match="where a number is due"):
            parse("µ24", reply)
    else:
        assert Spoken(24.0, None, None) == parse("µ24", reply)


def test_the_whole_line_must_fit() -> None:
    """A value with something after it may be two values that ran together."""
    reply = reply_pattern(r"(?P<conductivity>\d+),(?P<temperature>\d+)")

    with pytest.raises(Unreadable):
        parse("42,24,7", reply)


@given(st.text(max_size=200))
def test_a_text_is_a_pattern_or_refused_in_a_sentence(text: str) -> None:
    """Nothing else comes of whatever stands in the configuration."""
    why, taken = "", ""
    try:
        taken = checked_reply(text)
    except ValueError as exc:
        why = str(exc)

    assert taken == text or why.startswith("it ")
