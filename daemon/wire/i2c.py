"""What comes of one read of a text instrument on an I2C bus: a status byte, text, and filling."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, auto

from daemon.wire.line import Frame

NUL = b"\0"
FLOATING = 0xFF
"""What a bus says that nobody drives: its pull-ups hold each bit high."""


class State(Enum):
    """What the bytes of one read say about the answer."""

    TEXT = auto()
    PENDING = auto()
    NOTHING = auto()
    ERROR = auto()
    EMPTY = auto()
    STRANGE = auto()


@dataclass(frozen=True, slots=True)
class StatusBytes:
    """What the byte before the text means; None for what an instrument has no byte for.

    Attributes:
        data: Text follows.
        pending: It still works on the request.
        nothing: It has no request to answer.
        error: It did not understand the request.
    """

    data: int
    pending: int | None = None
    nothing: int | None = None
    error: int | None = None

    def state(self, byte: int) -> State:
        """Return what one byte means."""
        meanings = {
            self.error: State.ERROR,
            self.nothing: State.NOTHING,
            self.pending: State.PENDING,
            self.data: State.TEXT,
        }
        return meanings.get(byte, State.STRANGE)


@dataclass(frozen=True, slots=True)
class Answer:
    """One read, understood.

    Attributes:
        state: What it is.
        frame: The text without status and filling; empty where there is none.
        status: The byte before the text; None for an instrument without one.
    """

    state: State
    frame: Frame
    status: int | None = None


def answer(data: bytes, status: StatusBytes | None) -> Answer:
    """Return what the bytes of one read are.

    Text ends at the first NUL, or with the bytes.  What follows a NUL is filling, or the rest of
    a longer answer from before, and is no part of it.

    Args:
        data: All bytes of the read.
        status: What the first one means; None where the text begins with it.
    """
    if status is None:
        return _text(data, None)
    if not data:
        return Answer(State.EMPTY, Frame(b""))
    state = status.state(data[0])
    if state is State.TEXT:
        return _text(data[1:], data[0])
    return Answer(state, Frame(b""), data[0])


def _text(data: bytes, byte: int | None) -> Answer:
    text = data.partition(NUL)[0]
    # A bus that nobody drives gives ones for as long as it is read.
    empty = not text.strip() or text.count(FLOATING) == len(text)
    return Answer(State.EMPTY, Frame(b""), byte) if empty else Answer(State.TEXT, Frame(text), byte)
