"""What is sent to pages that stay open: composed once by one thread, however many follow.

A stream is a name and what makes its parts of a view.  A follower is sent all parts first, then
those that changed, and a beat every two seconds, so that a page knows when it is not live any
more.  Where composing fails or hangs no beat is sent either.

Source: HTML Living Standard, server-sent events (from memory).
"""

from __future__ import annotations

import json
import logging
import time
from collections import deque
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from threading import Event as Signal
from threading import Lock
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from daemon.page.view import StationView

Parts = Mapping[str, str]
"""Markup by the name of the part, escaped already; or one JSON text under the name of its event."""
TICK_S = 1.0
"""So often a stream that has followers is composed: as often as a probe is read at most."""
BEAT_EVERY = 2
"""A beat comes with every second composing: a page waits for two and a half of them."""

log = logging.getLogger("brinewright.publish")


@dataclass(frozen=True, slots=True)
class Stream:
    """One stream.

    Attributes:
        compose: Makes its parts of a view.
        event: What its events are called.
        plain: Whether its one part is a JSON text that is sent as it is.
    """

    compose: Callable[[StationView], Parts]
    event: str = "parts"
    plain: bool = False

    def event_of(self, parts: Parts) -> bytes:
        """Return the event that brings some parts."""
        if self.plain:
            return b"".join(_event(self.event, text) for text in parts.values() if text)
        return _event(self.event, json.dumps(dict(parts), separators=(",", ":")))


@dataclass(frozen=True, slots=True)
class Bulletin:
    """What came of one composing.

    Attributes:
        stream: Its name.
        whole: For who has followed since a moment ago.
        news: For who follows already; may be empty.
    """

    stream: str
    whole: bytes
    news: bytes


@dataclass(slots=True)
class LiveStreams:
    """Composes what followers are sent; the loop that owns their connections hands it out.

    Attributes:
        streams: By name.
        read_view: Gives a new view.
        tick_s: Between two composings, s.
        clock: Monotonic seconds.
    """

    streams: Mapping[str, Stream]
    read_view: Callable[[], StationView]
    tick_s: float = TICK_S
    clock: Callable[[], float] = time.monotonic
    _followed: frozenset[str] = field(default=frozenset(), init=False)
    _parts: dict[str, dict[str, str]] = field(default_factory=dict, init=False)
    _ready: deque[Bulletin] = field(default_factory=deque, init=False)
    _lock: Lock = field(default_factory=Lock, init=False)
    _count: int = field(default=0, init=False)
    _round_s: float | None = field(default=None, init=False)

    def follow(self, names: Collection[str]) -> None:
        """Take note of which streams have a follower now."""
        self._followed = frozenset(names) & frozenset(self.streams)

    def run(self, stop: Signal, notify: Callable[[], None]) -> None:
        """Compose until `stop` is set.

        Args:
            stop: Ends it.
            notify: Called when there is something to hand out.
        """
        while not stop.is_set():
            self._round_s = self.clock()
            try:
                if self.compose():
                    notify()
            except Exception:  # the pages notice that no beat comes, and so does the log
                log.exception("the page: a fault in this program")
            self._round_s = None
            stop.wait(self.tick_s)

    def compose(self) -> bool:
        """Compose every stream that has a follower; say whether there is something to hand out."""
        followed = self._followed
        for name in [*self._parts]:
            if name not in followed:
                # Whoever follows it next is sent all of it.
                del self._parts[name]
        if not followed:
            return False
        view = self.read_view()
        self._count += 1
        beat = _beat(view)
        found = [self._bulletin(name, view, beat) for name in sorted(followed)]
        with self._lock:
            self._ready.extend(found)
        return True

    def take(self) -> list[Bulletin]:
        """Return what is to be handed out, in order."""
        with self._lock:
            found = [*self._ready]
            self._ready.clear()
        return found

    def late_s(self, now_s: float) -> float:
        """Return for how long the composing that goes on has lasted, s."""
        began_s = self._round_s
        return 0.0 if began_s is None else now_s - began_s

    def _bulletin(self, name: str, view: StationView, beat: bytes) -> Bulletin:
        stream, before = self.streams[name], self._parts.get(name)
        parts = dict(stream.compose(view))
        self._parts[name] = parts
        changed = {key: text for key, text in parts.items() if (before or {}).get(key) != text}
        gone = {key: "" for key in before or {} if key not in parts}
        news = stream.event_of(changed | gone) if changed or gone else b""
        if self._count % BEAT_EVERY == 0:
            news += beat
        return Bulletin(name, stream.event_of(parts) + beat, news)


def _beat(view: StationView) -> bytes:
    found = {"time": view.at.isoformat(timespec="milliseconds"), "seq": view.last_seq}
    return _event("beat", json.dumps(found))


def _event(name: str, data: str) -> bytes:
    return f"event: {name}\ndata: {data}\n\n".encode()
