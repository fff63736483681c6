"""A receiver of asynchronous characters that is set otherwise than the sender: what it makes of it.

Bits are laid on a line of time as the sender's speed has them, and sampled in their middle as the
receiver's speed has it.  Real receivers sample more than once and differ in what they do after a
stop bit that is missing; what a driver of the kernel delivers then differs too.  So this gives
bytes of the kind that a wrong speed gives, not those of one adapter.
"""

from __future__ import annotations

import termios
from collections.abc import Callable
from dataclasses import dataclass

from simulators.lines import Speaker

SPEEDS = {
    getattr(termios, f"B{baud}"): baud
    for baud in (300, 600, 1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200, 230400)
}
_PAUSE_BITS = 20
"""Idle before and after a message, as instruments pause between two."""


@dataclass(frozen=True, slots=True)
class Framing:
    """How characters are sent.

    Attributes:
        baud: Bits a second.
        bits: Data bits, 7 or 8.
        parity: "N", "E" or "O".
        stops: Stop bits.
    """

    baud: int = 9600
    bits: int = 8
    parity: str = "N"
    stops: int = 1

    def encode(self, data: bytes) -> list[int]:
        """Return the bits on the line, 1 for idle."""
        line = [1] * _PAUSE_BITS
        for byte in data:
            ones = [byte >> number & 1 for number in range(self.bits)]
            line += [0, *ones]
            if self.parity != "N":
                line.append((sum(ones) + (self.parity == "O")) % 2)
            line += [1] * self.stops
        return [*line, *[1] * _PAUSE_BITS]


def received(data: bytes, sent: Framing, read: Framing) -> bytes:
    """Return what a receiver makes of a message.

    A character whose stop bit is missing arrives as 0, as Linux delivers it where neither its
    marking nor its passing over was asked for (termios(3): without IGNPAR and PARMRK).

    Args:
        data: The message.
        sent: How it is sent.
        read: How the receiver is set.
    """
    if sent == read:
        return data
    line, step = sent.encode(data), sent.baud / read.baud
    size = read.bits + (read.parity != "N")
    found = bytearray()
    at = 0.0
    while True:
        start = _start(line, at)
        if start is None:
            return bytes(found)
        bits = [_at(line, start + step * (number + 1.5)) for number in range(size + 1)]
        value = sum(bit << number for number, bit in enumerate(bits[: read.bits]))
        found.append(value if bits[-1] else 0)
        # The next start is looked for from the middle of the stop bit on.
        at = start + step * (size + 1.5)


def _start(line: list[int], at: float) -> float | None:
    """Return where the line is low from a moment on: a receiver takes that for a start bit."""
    if at < len(line) and line[int(at)] == 0:
        return at
    return next((index for index in range(int(at) + 1, len(line)) if line[index] == 0), None)


def _at(line: list[int], at: float) -> int:
    index = int(at)
    return line[index] if index < len(line) else 1


@dataclass(slots=True)
class MissetSpeaker:
    """A speaker whose line is set otherwise than its reader's port.

    Attributes:
        inner: What speaks.
        sent: How it is set.
        reader_baud: Returns the speed that the reader has set at this moment.
        reader: How else the reader is set; a pseudo-terminal has 8 data bits and no parity.
    """

    inner: Speaker
    sent: Framing
    reader_baud: Callable[[], int]
    reader: Framing = Framing()

    @property
    def plugged(self) -> bool:
        """Whether its cable is in."""
        return self.inner.plugged

    @property
    def lossless(self) -> bool:
        """Whether to wait for a slow reader rather than drop words."""
        return self.inner.lossless

    def advance(self, t_s: float) -> bytes:
        """Let time pass; return what arrives of what is said."""
        return self._arriving(self.inner.advance(t_s))

    def respond(self, data: bytes, t_s: float) -> bytes:
        """Take what arrives of a request; return what arrives of the answer."""
        heard = received(data, self._reader(), self.sent)
        return self._arriving(self.inner.respond(heard, t_s))

    def next_s(self) -> float | None:
        """Return when it next has something to do."""
        return self.inner.next_s()

    def _reader(self) -> Framing:
        return Framing(self.reader_baud(), self.reader.bits, self.reader.parity, self.reader.stops)

    def _arriving(self, data: bytes) -> bytes:
        return received(data, self.sent, self._reader()) if data else data
