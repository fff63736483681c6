"""Instruments that talk over a real pseudo-terminal, from a thread of the test."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from simulators.lines import SimulatedLine, Speaker
from simulators.uart import SPEEDS, Framing, MissetSpeaker

PATIENCE_S = 60.0


@dataclass
class Saying:
    """Says a message again and again, or answers what it is asked.

    Attributes:
        message: Gives the message of a number, counted from 0.
        every_s: Seconds between two; 0 for one that only answers.
        answer: What it answers to some bytes.
    """

    message: Callable[[int], bytes] = lambda _: b""
    every_s: float = 0.0
    answer: Callable[[bytes], bytes] = lambda _: b""
    plugged: bool = field(default=True, init=False)
    lossless: bool = field(default=False, init=False)
    _count: int = 0

    def advance(self, t_s: float) -> bytes:
        """Say what has fallen due."""
        said = b""
        while (due_s := self.next_s()) is not None and due_s <= t_s:
            said += self.message(self._count)
            self._count += 1
        return said

    def respond(self, data: bytes, t_s: float) -> bytes:
        """Answer."""
        return self.advance(t_s) + self.answer(data)

    def next_s(self) -> float | None:
        """When the next message is due."""
        return self._count * self.every_s if self.every_s else None


@contextlib.contextmanager
def talking(
    link: Path, speaker: Speaker, sent: Framing | None = None, speed: float = 1.0
) -> Iterator[Path]:
    """Let an instrument talk at a port until the block ends.

    Args:
        link: Name of the port.
        speaker: The instrument.
        sent: How its line is set; None for as the reader's is.
        speed: Its seconds in a real one; for another than 1 its time waits for a reader.
    """
    line = SimulatedLine(link, speaker, speed, waits_for_reader=speed != 1.0)
    if sent is not None:
        line.speaker = MissetSpeaker(
            speaker, sent, lambda: SPEEDS.get(line.reader_speed(), sent.baud)
        )
    line.plug()
    thread = threading.Thread(target=line.serve)
    thread.start()
    try:
        yield link
    finally:
        line.stop()
        thread.join(PATIENCE_S)
