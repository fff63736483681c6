"""A line or a connection that several drivers use: one request at a time, each in its turn.

A bus waits for nothing.  Its drivers call `advance` whenever they wake and `readable` when bytes
have come; what that brings may be for another one of them, which then finds it in its exchange.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Protocol

from daemon.probes.transport import OPENING_S, TransportError

if TYPE_CHECKING:
    from daemon.probes.transport import Transport

REOPEN_S: Final = 0.5
"""How long to leave alone what could not be opened, and to listen to what was; our own choice."""
SILENT_CONNECTION: Final = 3
"""So many requests without one byte of answer, and a connection is made again."""


@dataclass(frozen=True, slots=True)
class Request:
    """What to send, and how long to wait for what must come after it.

    Attributes:
        frame: The bytes.
        timeout_s: From now until the answer is whole, s; with the time that both need on the line.
    """

    frame: bytes
    timeout_s: float


class Exchange(Protocol):
    """A request of one driver with its answer; it may take several requests, one after another."""

    @property
    def over(self) -> bool:
        """Whether it needs the bus no more."""

    def begin(self, now_s: float) -> Request:
        """Return what to send now; called again after each answer until it is over."""

    def feed(self, data: bytes, now_s: float) -> bool:
        """Take bytes; return whether the answer to what was sent last is whole, right or wrong.

        Raises:
            TransportError: The connection can be used no more.
        """

    def silent(self, now_s: float) -> None:
        """Note that no whole answer came in time."""

    def lost(self, sentence: str) -> None:
        """Note that the way to the instrument cannot be opened, or was lost."""


class Manners(Protocol):
    """What is to be observed between the requests on a bus."""

    @property
    def pause_s(self) -> float:
        """Seconds of silence that part two frames."""

    @property
    def listens_first(self) -> bool:
        """Whether others may be in the middle of something on a way that was just opened."""

    def opened(self) -> None:
        """Begin afresh on a way that was just opened."""

    def unasked(self, data: bytes, now_s: float) -> float:
        """Take bytes that came while nothing was asked; return how long to be silent then, s.

        Raises:
            TransportError: The connection can be used no more.
        """


class Bus:
    """One transaction at a time, and a turn for each driver before the second one of any.

    Attributes:
        transport: The way.
        sent: How many requests went out over it so far.
    """

    def __init__(self, transport: Transport, manners: Manners) -> None:
        """Remember the way; nothing is opened yet."""
        self.transport, self._manners = transport, manners
        self.sent = 0
        self._waiting: deque[Exchange] = deque()
        self._active: Exchange | None = None
        self._deadline_s = 0.0
        self._ready_s = 0.0
        self._reopen_s = 0.0
        self._is_open = False
        self._answers_missing = 0
        self._pauses_s: dict[int, float] = {}

    @property
    def place(self) -> str:
        """Where it leads."""
        return self.transport.place

    def fileno(self) -> int | None:
        """Return the descriptor to watch for reading; None while it is shut."""
        return self.transport.fileno()

    def join(self, user: object, period_s: float) -> None:
        """Note a driver that uses it, and how often, s: a value must come within two periods."""
        self._pauses_s[id(user)] = min(REOPEN_S, period_s / 4.0)

    def leave(self, user: object) -> None:
        """Note that a driver uses it no more; after the last one it is shut."""
        self._pauses_s.pop(id(user), None)
        if not self._pauses_s:
            self._shut()
            self._waiting.clear()
            self._active = None

    def submit(self, exchange: Exchange) -> None:
        """Put an exchange behind those that wait already."""
        self._waiting.append(exchange)

    def withdraw(self, exchange: Exchange) -> None:
        """Give up an exchange; what was sent of it may still be answered."""
        if exchange is self._active:
            self._active = None
        elif exchange in self._waiting:
            self._waiting.remove(exchange)

    def wake_s(self) -> float:
        """Monotonic time, s, at which `advance` is to be called next; infinite for never."""
        if self._active is not None:
            return self._deadline_s
        if not self._waiting:
            return float("inf")
        return self._ready_s if self._is_open else self._reopen_s

    def advance(self, now_s: float) -> None:
        """Do what is due: open the way, send the next request, give up on an answer."""
        if self._active is not None and now_s >= self._deadline_s:
            self._time_out(self._active, now_s)
        if self._active is None and self._waiting and now_s >= self.wake_s():
            try:
                if self._opened(now_s):
                    self._send(now_s)
            except TransportError as exc:
                self._lose(exc, now_s)

    def readable(self, now_s: float) -> None:
        """Take what has come."""
        try:
            self._take(self.transport.read(), now_s)
        except TransportError as exc:
            self._lose(exc, now_s)

    def _opened(self, now_s: float) -> bool:
        if self._is_open:
            return True
        if not self.transport.open(now_s):
            self._reopen_s = now_s + OPENING_S
            return False
        self._is_open, self._answers_missing = True, 0
        self._ready_s = now_s + (self._shortest_pause_s() if self._manners.listens_first else 0.0)
        self._manners.opened()
        return True

    def _send(self, now_s: float) -> None:
        # What came since the last look was sent before this request.
        self._take(self.transport.read(), now_s)
        if now_s < self._ready_s:
            return
        exchange = self._waiting.popleft()
        self._active = exchange
        self._ask(exchange, now_s)

    def _ask(self, exchange: Exchange, now_s: float) -> None:
        request = exchange.begin(now_s)
        self._deadline_s = now_s + request.timeout_s
        self.transport.write(request.frame)
        self.sent += 1

    def _take(self, data: bytes, now_s: float) -> None:
        if not data:
            return
        self._answers_missing = 0
        if self._active is None:
            silence_s = self._manners.unasked(data, now_s)
            self._ready_s = now_s + max(silence_s, self._manners.pause_s)
        elif self._active.feed(data, now_s):
            self._go_on(self._active, now_s)

    def _time_out(self, exchange: Exchange, now_s: float) -> None:
        self._answers_missing += 1
        exchange.silent(now_s)
        self._go_on(exchange, now_s)
        if self._answers_missing >= SILENT_CONNECTION and self.transport.dies_in_silence:
            # The other end may have gone without a word; a new connection will show it.
            self._shut()
            self._reopen_s = now_s

    def _go_on(self, exchange: Exchange, now_s: float) -> None:
        """Let one that is not over have the next turn, for its requests belong together."""
        self._active = None
        self._ready_s = now_s + self._manners.pause_s
        if not exchange.over:
            self._waiting.appendleft(exchange)

    def _lose(self, exc: TransportError, now_s: float) -> None:
        """Have everybody who waits know why nothing comes."""
        self._shut()
        self._reopen_s = now_s + self._shortest_pause_s()
        waiting = [*([] if self._active is None else [self._active]), *self._waiting]
        self._active = None
        self._waiting.clear()
        for each in waiting:
            each.lost(str(exc))

    def _shortest_pause_s(self) -> float:
        return min(self._pauses_s.values(), default=REOPEN_S)

    def _shut(self) -> None:
        self.transport.close()
        self._is_open = False
