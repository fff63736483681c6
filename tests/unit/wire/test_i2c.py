"""The bytes of one read from an I2C bus: status, text, filling, and what is none of them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.wire.i2c import State, StatusBytes, answer
from daemon.wire.line import Frame

STATUS = StatusBytes(data=1, pending=254, nothing=255, error=2)


def test_text_ends_at_the_first_nul() -> None:
    """What stands behind it may be left of a longer answer."""
    found = answer(b"\x0152.1,24.5\x007,24.51\x00\x00", STATUS)

    assert (State.TEXT, Frame(b"52.1,24.5"), 1) == (found.state, found.frame, found.status)


def test_text_without_a_nul_ends_with_the_bytes() -> None:
    """An instrument that fills all that is read."""
    assert Frame(b"52.1,24.5") == answer(b"\x0152.1,24.5", STATUS).frame


def test_without_status_bytes_the_text_begins_at_once() -> None:
    """No byte is taken off it."""
    found = answer(b"52.1,24.5\x00\x00", None)

    assert (State.TEXT, Frame(b"52.1,24.5"), None) == (found.state, found.frame, found.status)


@pytest.mark.parametrize(
    "byte, state",
    [(254, State.PENDING), (255, State.NOTHING), (2, State.ERROR), (7, State.STRANGE)],
)
def test_a_status_other_than_data_hides_the_text_behind_it(byte: int, state: State) -> None:
    """A text behind it is one from before."""
    found = answer(bytes([byte]) + b"52.1,24.5\x00", STATUS)

    assert (state, Frame(b""), byte) == (found.state, found.frame, found.status)


@pytest.mark.parametrize("data", [b"\x01", b"\x01\x00\x00", b"\x01 \r\n\x00", b"\x01\xff\xff", b""])
def test_data_without_text_is_empty(data: bytes) -> None:
    """A status that came before its text, or a bus that nobody drove after it."""
    assert State.EMPTY is answer(data, STATUS).state


@pytest.mark.parametrize("data", [b"", b"\x00" * 8, b"\xff" * 8])
def test_a_bus_that_says_nothing_is_empty_without_status_bytes_too(data: bytes) -> None:
    """All zeros or all ones are no text in any encoding that is read here."""
    assert State.EMPTY is answer(data, None).state


def test_an_instrument_without_a_byte_for_a_state_never_is_in_it() -> None:
    """Only the byte for data is needed."""
    assert State.STRANGE is answer(b"\xfe52.1", StatusBytes(data=1)).state


@given(st.binary(max_size=64))
def test_no_bytes_raise_and_no_text_comes_without_the_byte_for_data(data: bytes) -> None:
    """Whatever a bus gives."""
    found = answer(data, STATUS)

    assert (found.state is State.TEXT) == bool(found.frame.data)
    assert found.state is not State.TEXT or data[0] == STATUS.data
    assert b"\x00" not in found.frame.data
