"""What came in from a broker, held until the sink's own thread takes it.

The client library's thread puts letters in and must never wait or fail, so the
box is bounded in number and in size: what does not fit is counted and dropped.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from threading import Lock

HELD_AT_MOST = 200
LONGEST_KEPT = 65_536
"""Bytes of a payload; a longer one is held without it, so that it can still be refused."""
LONGEST_REPLY_TO = 200
LONGEST_CORRELATION = 1024
"""Characters and bytes; what is longer is taken for not given."""


@dataclass(frozen=True, slots=True)
class Letter:
    """One message that came in.

    Attributes:
        topic: Where.
        payload: What it says; empty when it was too long to be held.
        size: How long it was, bytes.
        retained: Whether the broker had kept it from earlier, or was to keep it where that was
            asked for.
        reply_to: Where the sender wants the answer (MQTT 5); empty for anywhere.
        correlation: What the sender knows the answer by (MQTT 5).
    """

    topic: str
    payload: bytes
    size: int
    retained: bool = False
    reply_to: str = ""
    correlation: bytes = b""


@dataclass(slots=True)
class Letterbox:
    """Letters in the order of their coming, from one thread to another."""

    _held: deque[Letter] = field(default_factory=deque, init=False)
    _dropped: int = field(default=0, init=False)
    _lock: Lock = field(default_factory=Lock, init=False)

    def put(self, letter: Letter) -> None:
        """Hold a letter, or count it when the box is full."""
        with self._lock:
            if len(self._held) < HELD_AT_MOST:
                self._held.append(letter)
            else:
                self._dropped += 1

    def take(self) -> tuple[list[Letter], int]:
        """Empty the box; return what was in it, and how many found no room since last time."""
        with self._lock:
            letters, dropped = list(self._held), self._dropped
            self._held.clear()
            self._dropped = 0
        return letters, dropped

    def __len__(self) -> int:
        """How many wait."""
        return len(self._held)
