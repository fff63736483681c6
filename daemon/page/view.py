"""What the page and the metrics are made of: one look at the journal and at what is around it.

Each look opens the journal read-only and closes it again, so that nobody who
looks at a page ever holds up who measures.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from threading import Lock
from typing import Protocol

from daemon.entries import Follower, Instant
from daemon.journal.errors import JournalError, JournalMissingError
from daemon.mixing.alarm.alarm_state import ACTIVE_STATES
from daemon.mixing.alarm.catalogue import CATALOGUE, Priority
from daemon.mixing.station.snapshot import AlarmSnapshot, ReservoirSnapshot, StationSnapshot

URGENCY = [*map(str, Priority)]
STANDS = [*map(str, ACTIVE_STATES)]


@dataclass(frozen=True, slots=True)
class Expected:
    """A reservoir as the configuration has it.

    Attributes:
        name: Its name.
        target_ppt: Wanted salinity.
        tolerance_ppt: By how much it may differ.
        use_within_h: Hours from release to use-by; None where not configured.
        old_after_s: A reading older than that tells nothing of now, s.
    """

    name: str
    target_ppt: float
    tolerance_ppt: float
    old_after_s: float = 60.0
    use_within_h: float | None = None


@dataclass(frozen=True, slots=True)
class Seen:
    """A reservoir as the journal has it.

    Attributes:
        expected: What the configuration says of it.
        snapshot: Its present state; None before any reading.
        age_s: Of its last reading, also of one that gave no value, s; below
            zero when that lies ahead of the clock; None before any.
    """

    expected: Expected
    snapshot: ReservoirSnapshot | None
    age_s: float | None

    @property
    def fresh(self) -> bool:
        """Whether the last reading is of now, by a clock that may be a little off."""
        limit_s = self.expected.old_after_s
        return self.age_s is not None and -limit_s <= self.age_s <= limit_s

    @property
    def probes(self) -> dict[str, str]:
        """How each of its probes stands, by name."""
        return {} if self.snapshot is None else dict(self.snapshot.probes_health)


@dataclass(frozen=True, slots=True)
class Shown:
    """An alarm that is not at rest.

    Attributes:
        reservoir: It is about; empty for the station.
        name: As in the catalogue.
        state: Where it stands in its life.
        priority: How urgent it is.
        active: Whether what it is about is so now.
        why: The reason it was raised for, as a sentence; may be empty.
        do: What to do about it, from the catalogue; may be empty.
        who: Who last did something to it; may be empty.
        reason: Why it is withheld; may be empty.
        until: Until when, ISO 8601; may be empty.
    """

    reservoir: str
    name: str
    state: str
    priority: str
    active: bool = True
    why: str = ""
    do: str = ""
    who: str = ""
    reason: str = ""
    until: str = ""

    @property
    def stands(self) -> bool:
        """Whether it is raised and not withheld."""
        return self.state in STANDS


@dataclass(frozen=True, slots=True)
class Present:
    """Everything there is to show.

    Attributes:
        station: Its name.
        at: The moment of the look, UTC.
        reservoirs: In the order of the configuration.
        alarms: Every one that is not at rest, the most urgent first.
        followers: Every publisher that is configured.
        last_seq: Newest number in the journal; None when it could not be read.
        journal_bytes: What the journal takes; None when there is none.
        free_bytes: Left where it lies; None when nobody can tell.
        trouble: Why the journal could not be read; empty when it could.
        zone: Of the station; times are shown in it.
    """

    station: str
    at: datetime
    reservoirs: Sequence[Seen]
    alarms: Sequence[Shown] = ()
    followers: Sequence[Follower] = ()
    last_seq: int | None = None
    journal_bytes: int | None = None
    free_bytes: int | None = None
    trouble: str = ""
    zone: tzinfo = UTC


class Journal(Protocol):
    """What is looked at; the journal's reader is one."""

    def snapshots(self) -> dict[str, ReservoirSnapshot]:
        """Return the present state of each reservoir by name."""

    def station_snapshot(self) -> StationSnapshot | None:
        """Return the present state of the station itself; None before any."""

    def last_seq(self) -> int:
        """Return the newest `seq`."""


@dataclass(slots=True)
class Lookout:
    """Looks when asked, from any thread.

    Attributes:
        station: Name of the station.
        expected: Its reservoirs.
        path: The journal's file.
        journal: The same, to be read.
        followers: Gives how the publishers stand.
        clock: Gives the present moment; that of the rehearsal in a rehearsal.
        zone: Of the station.
    """

    station: str
    expected: Sequence[Expected]
    path: Path
    journal: Journal
    followers: Callable[[Instant], Sequence[Follower]]
    clock: Callable[[], Instant]
    zone: tzinfo = UTC
    _lock: Lock = field(default_factory=Lock, init=False)

    def look(self) -> Present:
        """Return the present; what cannot be read is told in it and not raised."""
        with self._lock:
            now = self.clock()
        blind = Present(
            self.station,
            now.wall,
            [Seen(each, None, None) for each in self.expected],
            journal_bytes=_size(self.path),
            free_bytes=_free(self.path),
            zone=self.zone,
        )
        try:
            return self._look(now, blind)
        except JournalMissingError:
            why = "nothing has been measured yet; start 'brinewright run'"
            return replace(blind, trouble=why)
        except JournalError as exc:
            return replace(blind, trouble=str(exc))

    def _look(self, now: Instant, blind: Present) -> Present:
        snapshots = self.journal.snapshots()
        found = [seen(each, snapshots.get(each.name), now.wall) for each in self.expected]
        alarms = [each for one in found for each in shown(one.expected.name, one.snapshot)]
        alarms += shown("", self.journal.station_snapshot())
        return replace(
            blind,
            reservoirs=found,
            alarms=sorted(alarms, key=_urgency),
            followers=self.followers(now),
            last_seq=self.journal.last_seq(),
        )


@dataclass(slots=True)
class Latest:
    """The last look, which serves all who asked before it began.

    So a hundred who ask at once cost few looks, and nobody is shown what was before.

    Attributes:
        clock: Monotonic seconds.
    """

    clock: Callable[[], float] = time.monotonic
    _lock: Lock = field(default_factory=Lock, init=False)
    _begun_s: float = field(default=float("-inf"), init=False)
    _found: Present | None = field(default=None, init=False)

    def since(self, asked_s: float, look: Callable[[], Present]) -> Present:
        """Return the last look if it began after a moment, else another one.

        Args:
            asked_s: The moment, s.
            look: Looks.
        """
        with self._lock:
            if self._found is not None and self._begun_s > asked_s:
                return self._found
        begun_s = self.clock()
        found = look()
        with self._lock:
            if begun_s > self._begun_s:
                self._begun_s, self._found = begun_s, found
        return found


def seen(expected: Expected, snapshot: ReservoirSnapshot | None, at: datetime) -> Seen:
    """Return a reservoir with the age of its last reading."""
    age_s = None
    if snapshot is not None:
        with suppress(ValueError, TypeError):
            age_s = (at - datetime.fromisoformat(snapshot.time)).total_seconds()
    return Seen(expected, snapshot, age_s)


def shown(reservoir: str, snapshot: ReservoirSnapshot | StationSnapshot | None) -> list[Shown]:
    """Return the alarms of a snapshot.

    Args:
        reservoir: The snapshot's; empty for the station.
        snapshot: Its present state; None before any.
    """
    if snapshot is None:
        return []
    return [_shown(reservoir, name, each) for name, each in snapshot.alarm_details.items()]


def _shown(reservoir: str, name: str, alarm: AlarmSnapshot) -> Shown:
    row = CATALOGUE.get(name)
    return Shown(
        reservoir,
        name,
        alarm.state,
        alarm.priority,
        active=alarm.active,
        why=alarm.why or ("" if row is None else row.means),
        do="" if row is None else row.do,
        who=alarm.who,
        reason=alarm.reason,
        until=alarm.until or "",
    )


def _urgency(alarm: Shown) -> tuple[bool, int, str, str]:
    known = URGENCY.index(alarm.priority) if alarm.priority in URGENCY else len(URGENCY)
    return not alarm.stands, known, alarm.name, alarm.reservoir


def _size(path: Path) -> int | None:
    sizes = []
    for each in (path, Path(f"{path}-wal")):
        with suppress(OSError):
            sizes.append(each.stat().st_size)
    return sum(sizes) if sizes else None


def _free(path: Path) -> int | None:
    try:
        found = os.statvfs(path.parent)
    except OSError:
        return None
    return found.f_bavail * found.f_frsize
