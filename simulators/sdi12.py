"""A bus of SDI-12 instruments: they sleep, wake by a break, and speak on one line.

A bus knows bytes and breaks as a data recorder makes them, and simulated time.  It is a `Speaker`
and so can be put at the end of a pseudo-terminal, which carries no breaks: there the adapter is
one that makes them itself.  Bytes are as on the wire, with their parity in the eighth bit.

Source: SDI-12, version 1.4 (2019), sections 4 and 7 (from memory).
"""

from __future__ import annotations

import heapq
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from itertools import count, zip_longest
from random import Random

from simulators.sdi12_sensor import Sensor, on_the_wire, wait_s

CHARACTER_S = 10.0 / 1200.0
BREAK_S = 0.012
MARKING_S = 0.0083
STANDBY_S = 0.1
"""An instrument sleeps again after so long a marking."""
REPLY_S = 0.01
"""Between the end of a command and its reply; 8.33 ms at least and 15 ms at most."""
_ROUNDING_S = 1e-6


@dataclass(slots=True)
class SensorBus:
    """Instruments on one data line, and what else is on it.

    Attributes:
        sensors: All of them; two of one address talk at once.
        adapter_makes_breaks: Whether the adapter sends a break before each command itself.
        is_paced: Whether each character takes its time; else a reply comes at once.
        has_echo: Whether the adapter hands back what it sends.
        noise_share: Share of replies that noise changes.
        adds_bytes: Whether noise adds a random byte; else it flips a bit.
        is_plugged: Whether the adapter is plugged in.
        commands: Commands that came, with their times, s.
        unanswered: Commands that nobody was awake for.
    """

    sensors: list[Sensor]
    adapter_makes_breaks: bool = True
    is_paced: bool = False
    has_echo: bool = False
    noise_share: float = 0.0
    adds_bytes: bool = False
    seed: int = 0
    is_plugged: bool = True
    commands: list[tuple[float, str]] = field(default_factory=list)
    unanswered: list[tuple[float, str]] = field(default_factory=list)
    _events: list[tuple[float, int, Callable[[float], None]]] = field(default_factory=list)
    _order: count[int] = field(default_factory=count)
    _said: bytearray = field(default_factory=bytearray)
    _begun: bytearray = field(default_factory=bytearray)
    _spacing_from_s: float | None = None
    _break_end_s: float = -1e9
    _active_s: float = -1e9
    _chance: Random = field(default_factory=Random)

    def __post_init__(self) -> None:
        """Seed its chance."""
        self._chance.seed(self.seed)

    @property
    def plugged(self) -> bool:
        """Whether the adapter is plugged in."""
        return self.is_plugged

    @property
    def lossless(self) -> bool:
        """Nobody waits for a slow reader here."""
        return False

    def next_s(self) -> float | None:
        """Return when something is said next; None for not before it is asked."""
        return self._events[0][0] if self._events else None

    def advance(self, t_s: float) -> bytes:
        """Let time pass until `t_s`; return what was said."""
        while self._events and self._events[0][0] <= t_s + _ROUNDING_S:
            at_s, _, happen = heapq.heappop(self._events)
            happen(at_s)
        said, self._said = bytes(self._said), bytearray()
        return said

    def respond(self, data: bytes, t_s: float) -> bytes:
        """Take bytes from the recorder; return what was said until then."""
        said = self.advance(t_s)
        if self.has_echo:
            self._say(data, t_s)
        for byte in data:
            # A character of the wrong parity is none, and spoils its command.
            self._begun.append(byte & 0x7F if byte.bit_count() % 2 == 0 else 0)
            if byte & 0x7F == ord("!"):
                command, self._begun = self._begun.decode("ascii"), bytearray()
                if self.adapter_makes_breaks:
                    self._end_break(t_s)
                sent_s = len(command) * CHARACTER_S if self.is_paced else 0.0
                self._at(t_s + sent_s, partial(self._command, command, t_s))
        return said + self.advance(t_s)

    def spacing(self, t_s: float, *, on: bool) -> bytes:
        """Begin or end a break; return what was said until then."""
        said = self.advance(t_s)
        if on:
            self._spacing_from_s = t_s
        elif self._spacing_from_s is not None:
            if t_s - self._spacing_from_s >= BREAK_S - _ROUNDING_S:
                self._end_break(t_s)
            self._spacing_from_s = None
            if self.has_echo:
                self._say(b"\0", t_s)
        return said + self.advance(t_s)

    def other_recorder(self, command: str, at_s: float) -> None:
        """Have a second recorder send a command at a time, s, after a break of its own."""

        def send(t_s: float) -> None:
            self._end_break(t_s)
            begins_s = t_s + MARKING_S
            self._say(on_the_wire(command), begins_s)
            sent_s = len(command) * CHARACTER_S if self.is_paced else 0.0
            self._at(begins_s + sent_s, partial(self._command, command, begins_s))

        self._at(at_s, send)

    def _end_break(self, t_s: float) -> None:
        self._break_end_s = t_s
        for sensor in self.sensors:
            sensor.take_break(t_s)

    def _command(self, command: str, began_s: float, t_s: float) -> None:
        self.commands.append((t_s, command))
        address, rest = command[0], command[1:-1]
        after_break_s = began_s - self._break_end_s
        replies = []
        for sensor in self.sensors:
            awake = self.adapter_makes_breaks or (
                max(MARKING_S, sensor.wakes_s) <= after_break_s + _ROUNDING_S
                and (after_break_s <= STANDBY_S or sensor.wakes_s > MARKING_S)
            )
            awake |= began_s - self._active_s <= STANDBY_S
            if awake and address in (sensor.address, "?"):
                words = sensor.reply(rest, t_s)
                if words is not None:
                    replies.append((sensor, on_the_wire(words)))
                    self._expect(sensor, rest, t_s)
        if not replies:
            self.unanswered.append((t_s, command))
            return
        late_s = max(sensor.faults.late_s for sensor, _ in replies)
        begins_s = t_s + late_s + (REPLY_S if self.is_paced else 0.0)
        self._say(self._noisy(_together([words for _, words in replies])), begins_s)

    def _expect(self, sensor: Sensor, command: str, t_s: float) -> None:
        """Have the instrument say that data are ready, unless something else happens before."""
        after_s = wait_s(sensor, command)
        if after_s is not None:
            # Its own reply, of up to eight characters, goes first.
            reply_s = REPLY_S + 9 * CHARACTER_S if self.is_paced else 0.0
            due_s = t_s + sensor.faults.late_s + max(reply_s, after_s)
            self._at(due_s, partial(self._request_service, sensor, sensor.runs))

    def _request_service(self, sensor: Sensor, run: int, t_s: float) -> None:
        words = sensor.service_request(run)
        if words is not None:
            self._say(on_the_wire(words), t_s)

    def _say(self, data: bytes, at_s: float) -> None:
        for place, byte in enumerate(data):
            due_s = at_s + (place + 1) * CHARACTER_S if self.is_paced else at_s
            self._at(due_s, partial(self._put, byte))

    def _put(self, byte: int, t_s: float) -> None:
        self._active_s = t_s
        self._said.append(byte)

    def _noisy(self, data: bytes) -> bytes:
        if self._chance.random() >= self.noise_share:
            return data
        place = self._chance.randrange(len(data))
        if self.adds_bytes:
            return data[:place] + self._chance.randbytes(1) + data[place:]
        flipped = data[place] ^ 1 << self._chance.randrange(8)
        return data[:place] + bytes((flipped,)) + data[place + 1 :]

    def _at(self, at_s: float, happen: Callable[[float], None]) -> None:
        heapq.heappush(self._events, (at_s, next(self._order), happen))


def _together(replies: list[bytes]) -> bytes:
    """Return what is on the line where several talk at once: a zero of one wins over a one."""
    together = bytearray()
    for column in zip_longest(*replies):
        bits = 0xFF
        for byte in column:
            bits &= 0xFF if byte is None else byte
        together.append(bits)
    return bytes(together)
