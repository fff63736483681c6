"""Messages from a broker, queued until the sink's own thread takes them.

The client library's thread puts them in and must never wait or fail, so the queue is
bounded in number and in size: what does not fit is counted and dropped.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from threading import Lock

MOST_QUEUED = 200
LARGEST_PAYLOAD = 65_536
"""Bytes of a payload; a longer one is queued without it, so that it can still be rejected."""
LONGEST_REPLY_TO = 200
LONGEST_CORRELATION = 1024
"""Characters and bytes; what is longer counts as not given."""


@dataclass(frozen=True, slots=True)
class IncomingMessage:
    """One message that came in.

    Attributes:
        topic: Where.
        payload: Its bytes; empty when there were too many.
        size: How long it was, bytes.
        retained: Whether the broker had kept it from earlier, or was to keep it where that was
            asked for.
        reply_to: Where the sender wants the answer (MQTT 5); empty for anywhere.
        correlation: By which the sender recognises the answer (MQTT 5).
    """

    topic: str
    payload: bytes
    size: int
    retained: bool = False
    reply_to: str = ""
    correlation: bytes = b""


@dataclass(slots=True)
class IncomingQueue:
    """Messages in the order of their arrival, from one thread to another."""

    _queued: deque[IncomingMessage] = field(default_factory=deque, init=False)
    _dropped: int = field(default=0, init=False)
    _lock: Lock = field(default_factory=Lock, init=False)

    def put(self, message: IncomingMessage) -> None:
        """Queue a message, or count it when the queue is full."""
        with self._lock:
            if len(self._queued) < MOST_QUEUED:
                self._queued.append(message)
            else:
                self._dropped += 1

    def take(self) -> tuple[list[IncomingMessage], int]:
        """Empty the queue; return its messages, and how many found no room since the last call."""
        with self._lock:
            messages, dropped = list(self._queued), self._dropped
            self._queued.clear()
            self._dropped = 0
        return messages, dropped

    def __len__(self) -> int:
        """How many wait."""
        return len(self._queued)
