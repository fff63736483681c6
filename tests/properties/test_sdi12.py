"""Any bytes on an SDI-12 line, in any pieces: frames, and no reading that fails a check."""

from __future__ import annotations

import math
from contextlib import suppress

from hypothesis import assume, given
from hypothesis import strategies as st

from daemon.wire import sdi12
from daemon.wire.sdi12 import LONGEST, Measurement, Splitter, Unreadable, crc, with_parity

WORDS = ["0M!", "0D0!", "\r\n", "00012\r\n", "0+42.914+24.50\r\n", "0+3.14OqZ\r\n", "0\r\n", "?!"]
streams = st.lists(
    st.one_of(st.binary(max_size=12), st.sampled_from([*map(with_parity, WORDS), b"9" * 300]))
).map(b"".join)
numbers = st.decimals(-9999, 9999, places=3).map(lambda each: f"{each:+.3f}")
data = st.lists(numbers, min_size=1, max_size=6).map("".join)
measurements = st.sampled_from(
    [Measurement(), Measurement(has_crc=True), Measurement(concurrent=True, has_crc=True)]
)


@given(stream=streams, cuts=st.lists(st.integers(0, 400)), has_parity=st.booleans())
def test_any_chopping_gives_the_same_frames(
    stream: bytes, cuts: list[int], *, has_parity: bool
) -> None:
    """How the operating system hands over the bytes makes no difference."""
    splitter, frames, start = Splitter(has_parity=has_parity), [], 0
    for cut in [*sorted(cuts), len(stream)]:
        frames += splitter.feed(stream[start:cut])
        start = max(start, min(cut, len(stream)))

    assert Splitter(has_parity=has_parity).feed(stream) == frames


@given(streams, measurements)
def test_any_bytes_give_replies_or_a_sentence(stream: bytes, asked: Measurement) -> None:
    """There is no third outcome, values are finite, and no frame is too long."""
    for frame in Splitter().feed(stream):
        assert len(frame.text) <= LONGEST
        with suppress(Unreadable):
            sdi12.announcement(frame.text, "0", asked)
        with suppress(Unreadable):
            sdi12.identification(frame.text, "0")
        with suppress(Unreadable):
            sdi12.own_address(frame.text)
        found: tuple[float, ...] = ()
        with suppress(Unreadable):
            found = sdi12.values(frame.text, "0", asked)
        assert all(abs(each) < 1e7 and math.isfinite(each) for each in found)


@given(data)
def test_values_are_read_as_they_were_written(written: str) -> None:
    """Each with its sign, whatever stands beside it."""
    found = sdi12.values(f"0{written}", "0", Measurement())

    assert written == "".join(f"{each:+.3f}" for each in found).replace("+-", "-")


@given(data, st.integers(0, 400), st.integers(1, 127))
def test_no_changed_character_passes_the_check(written: str, place: int, change: int) -> None:
    """A burst of up to seven bits is found by each CRC of sixteen."""
    text = f"0{written}" + crc(f"0{written}")
    place %= len(text)
    spoilt = text[:place] + chr(ord(text[place]) ^ change) + text[place + 1 :]
    try:
        found = sdi12.values(spoilt, "0", Measurement(has_crc=True))
    except Unreadable:
        return
    raise AssertionError(f"{spoilt!r} was read as {found}")


@given(data, st.integers(0, 400), st.integers(0, 7))
def test_no_flipped_bit_passes_the_parity(written: str, place: int, bit: int) -> None:
    """Also without check characters."""
    raw = bytearray(with_parity(f"0{written}\r\n"))
    raw[place % (len(raw) - 2)] ^= 1 << bit
    frames = Splitter().feed(bytes(raw))

    assert all(each.damaged for each in frames)


@given(data, st.integers(1, 60))
def test_no_reply_that_was_cut_passes_the_check(written: str, kept: int) -> None:
    """Wherever it ends."""
    text = f"0{written}" + crc(f"0{written}")
    assume(kept < len(text))
    try:
        found = sdi12.values(text[:kept], "0", Measurement(has_crc=True))
    except Unreadable:
        return
    # One in 65 536 would, and none is among these.
    raise AssertionError(f"{text[:kept]!r} was read as {found}")
