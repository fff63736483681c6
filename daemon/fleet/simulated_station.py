"""One simulated station: which entries are due by now, and what its present state is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from threading import Lock

from daemon.config import Config, Reservoir
from daemon.entries import Entry, Event, Instant, Kind, Reading
from daemon.fleet.story import Step
from daemon.journal.event_codec import facts_of
from daemon.journal.payloads import iso_time
from daemon.journal.reader import Stored
from daemon.mixing.station.snapshot import ReservoirSnapshot, StationSnapshot

BOOT = "simulated"


@dataclass(frozen=True, slots=True)
class Due:
    """An entry, and when it was due.

    Attributes:
        stored: It, with its number.
        at_s: Monotonic time, s.
    """

    stored: Stored
    at_s: float


@dataclass(frozen=True, slots=True)
class Part:
    """A reservoir of a simulated station and the story that it plays, over and over.

    Attributes:
        settings: Of the reservoir.
        steps: The story.
        offset: The step that it begins with.
    """

    settings: Reservoir
    steps: Sequence[Step]
    offset: int

    def step(self, number: int) -> Step:
        """Return what its turn of that number, counted from 0, gives."""
        return self.steps[(self.offset + number) % len(self.steps)]


@dataclass(slots=True)
class SimulatedStation:
    """Makes entries at its pace; used by the threads of its outlets, one at a time.

    It is what a sink of the service reads the present state from, in place of a journal.

    Attributes:
        config: Its configuration.
        parts: One for each reservoir.
        period_s: From one reading of a reservoir to the next, s.
        begins_s: Monotonic time of the first, s.
        wall: The wall clock's time then.
        ends_s: Monotonic time after which it makes no more; `end` sets it.
        made: How many entries it made.
        readings: How many of them are readings.
    """

    config: Config
    parts: Sequence[Part]
    period_s: float
    begins_s: float
    wall: datetime
    ends_s: float = float("inf")
    made: int = 0
    readings: int = 0
    _turn: int = 0
    _alarms: dict[tuple[str, str], tuple[int, Event]] = field(default_factory=dict)
    _lock: Lock = field(default_factory=Lock)
    _followers: list[list[Due]] = field(default_factory=list)

    @property
    def name(self) -> str:
        """Of the station."""
        return self.config.station.name

    def follower(self) -> list[Due]:
        """Return a list that every entry from now on is appended to."""
        waiting: list[Due] = []
        self._followers.append(waiting)
        return waiting

    def advance(self, now_s: float) -> None:
        """Make what is due up to a moment, unless the end has come."""
        with self._lock:
            while (at_s := self.begins_s + self._turn * self.period_s) <= min(now_s, self.ends_s):
                for part in self.parts:
                    for entry in part.step(self._turn).entries:
                        self._append(self._dated(entry, part.settings, at_s), at_s)
                self._turn += 1

    def end(self, at_s: float) -> None:
        """Make what is due up to a moment, and nothing after it."""
        self.ends_s = at_s
        self.advance(at_s)

    def take(self, waiting: list[Due], limit: int) -> list[Due]:
        """Return the oldest of what waits; it stays there until it is dropped."""
        with self._lock:
            return waiting[:limit]

    def drop(self, waiting: list[Due], count: int) -> None:
        """Drop the oldest of what waits, once they are acknowledged."""
        with self._lock:
            del waiting[:count]

    def identity(self) -> str:
        """Return the identity of its journal, which it does without."""
        return f"{BOOT}-{self.name}"

    def snapshots(self) -> dict[str, ReservoirSnapshot]:
        """Return the snapshot of each reservoir by name."""
        turn = self._turn - 1
        if turn < 0:
            return {}
        time = iso_time(self._wall(self.begins_s + turn * self.period_s))
        return {
            part.settings.name: replace(
                part.step(turn).reservoir, time=time, probe=_probe(part.settings)
            )
            for part in self.parts
        }

    def station_snapshot(self) -> StationSnapshot | None:
        """Return the snapshot of the station itself; None before any."""
        turn = self._turn - 1
        if turn < 0:
            return None
        time = iso_time(self._wall(self.begins_s + turn * self.period_s))
        return replace(self.parts[0].step(turn).station, time=time)

    def alarms(self, since_seq: int = 0) -> list[tuple[int, Event]]:
        """Return the newest event about each alarm after `since_seq`, in order."""
        with self._lock:
            found = [each for each in self._alarms.values() if each[0] > since_seq]
        return sorted(found, key=lambda each: each[0])

    def former_alarms(self) -> list[tuple[str, str]]:
        """Return nothing: no alarm of it ever had another name."""
        return []

    def alarm_names(self) -> Mapping[tuple[str, str], int]:
        """Return reservoir and name of each alarm that it ever published, with its number."""
        with self._lock:
            return {key: seq for key, (seq, _) in self._alarms.items()}

    def _append(self, entry: Entry, at_s: float) -> None:
        self.made += 1
        self.readings += isinstance(entry, Reading)
        if isinstance(entry, Event) and entry.kind is Kind.ALARM:
            name = str(facts_of(entry.body).get("name"))
            self._alarms[entry.reservoir, name] = (self.made, entry)
        due = Due(Stored(self.made, entry), at_s)
        for waiting in self._followers:
            waiting.append(due)

    def _dated(self, entry: Entry, reservoir: Reservoir, at_s: float) -> Entry:
        """Return an entry of the story as one of this station and of now."""
        at = Instant(self._wall(at_s), at_s, BOOT)
        named = reservoir.name if entry.reservoir else ""
        if isinstance(entry, Reading):
            return replace(entry, at=at, reservoir=named, probe=_probe(reservoir))
        return replace(entry, at=at, reservoir=named)

    def _wall(self, at_s: float) -> datetime:
        return (self.wall + timedelta(seconds=at_s - self.begins_s)).astimezone(UTC)


def _probe(reservoir: Reservoir) -> str:
    return reservoir.probes[0].name if reservoir.probes else BOOT
