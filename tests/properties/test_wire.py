"""Bytes in any pieces, of any kind; and compensation there and back."""

from __future__ import annotations

import math

from hypothesis import given
from hypothesis import strategies as st

from daemon.wire.line import LINE_LIMIT, SHOWN_LIMIT, Splitter, Unreadable, parse, shown
from daemon.wire.reply import ENCODINGS, reply_pattern
from daemon.wire.units import uncompensated

REPLY = reply_pattern(r"(?P<conductivity>\S*),(?P<temperature>\S*?)(,(?P<pump>\S*))?")
streams = st.lists(
    st.one_of(st.binary(max_size=12), st.sampled_from([b"\r", b"\n", b"\r\n", b"9" * 300]))
).map(b"".join)


@given(streams, st.lists(st.integers(0, 400)))
def test_any_chopping_gives_the_same_lines(stream: bytes, cuts: list[int]) -> None:
    """How the operating system hands over the bytes makes no difference."""
    splitter, pieces, start = Splitter(), [], 0
    for cut in [*sorted(cuts), len(stream)]:
        pieces += splitter.feed(stream[start:cut])
        start = max(start, min(cut, len(stream)))

    assert Splitter().feed(stream) == pieces


@given(streams)
def test_no_bytes_make_a_line_too_long(stream: bytes) -> None:
    """Lines, and what is shown of them, are bounded whatever comes."""
    for frame in Splitter().feed(stream):
        for encoding in ENCODINGS:
            line = frame.text(encoding)
            assert 0 < len(line) <= LINE_LIMIT + 1
            assert len(shown(line)) <= SHOWN_LIMIT
            assert shown(line).isprintable()


@given(st.one_of(streams.map(lambda raw: raw.decode("latin-1")), st.text()))
def test_a_line_gives_finite_numbers_or_is_unreadable(line: str) -> None:
    """There is no third outcome."""
    try:
        spoken = parse(line, REPLY)
    except Unreadable:
        return
    numbers = (spoken.conductivity, spoken.temperature)
    assert all(each is not None and math.isfinite(each) for each in numbers)


@given(st.floats(allow_nan=True), st.floats(allow_nan=True))
def test_numbers_are_read_as_they_were_sent(conductivity: float, temperature: float) -> None:
    """Every number that an instrument can mean is read exactly; none beyond a thousand million."""
    try:
        spoken = parse(f"{conductivity!r},{temperature!r}", REPLY)
    except Unreadable:
        assert not (abs(conductivity) <= 1e9 and abs(temperature) <= 1e9)
        return
    assert (conductivity, temperature) == (spoken.conductivity, spoken.temperature)


@given(st.floats(0, 100), st.floats(0, 45), st.floats(0, 3), st.floats(18, 25))
def test_undoing_compensation_gives_back_the_raw_value(
    raw: float, water_C: float, percent_per_C: float, reference_C: float
) -> None:
    """The rule of the instrument, and then its undoing, is nothing."""
    reported = raw / (1.0 + percent_per_C / 100.0 * (water_C - reference_C))

    assert math.isclose(raw, uncompensated(reported, water_C, percent_per_C, reference_C))
