"""What the page and the metrics show: read at one moment from the journal and its surroundings.

Each reading opens the journal read-only and closes it again, so that no page ever holds up
measuring.
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
from daemon.journal.freshness import Freshness, age_s, silence_cause
from daemon.mixing.alarm.alarm_state import ACTIVE_STATES
from daemon.mixing.alarm.catalogue import CATALOGUE, Priority
from daemon.mixing.station.snapshot import AlarmSnapshot, ReservoirSnapshot, StationSnapshot

URGENCY = [*map(str, Priority)]
ANNOUNCED_STATES = [*map(str, ACTIVE_STATES)]


@dataclass(frozen=True, slots=True)
class ProbeDisplay:
    """What the configuration says of a probe, as far as the page needs it.

    Attributes:
        name: Its name.
        drift_percent_30d: How far its cell constant is assumed to move in thirty days, ± %.
        references: That a calibration may begin with, as `calibrate.start` takes them; empty where
            none are configured.
    """

    name: str
    drift_percent_30d: float = 0.5
    references: str = ""


@dataclass(frozen=True, slots=True)
class DisplaySettings:
    """What the configuration says of a reservoir, as far as the page needs it.

    Attributes:
        name: Its name.
        label: What people call it; empty for its name.
        target_ppt: Target salinity.
        tolerance_ppt: Half of the tolerance interval.
        use_within_h: Hours from release to use-by; None where not configured.
        capacity_l: Full to the brim, L; None where not known.
        fill_l: Of a usual batch, L; None where not known.
        release_confidence: Conformance probability that release asks for; None where not known.
        mix_yield: Sea salt per mix where no batch has shown it, g/g; None where not known.
        old_after_s: Age beyond which a reading is not fresh, s.
        probes: In the order of the configuration.
    """

    name: str
    target_ppt: float
    tolerance_ppt: float
    old_after_s: float = 60.0
    use_within_h: float | None = None
    label: str = ""
    capacity_l: float | None = None
    fill_l: float | None = None
    probes: tuple[ProbeDisplay, ...] = ()
    release_confidence: float | None = None
    mix_yield: float | None = None

    @property
    def title(self) -> str:
        """What people call it."""
        return self.label or self.name


@dataclass(frozen=True, slots=True)
class ReservoirView:
    """A reservoir as the journal has it.

    Attributes:
        settings: What the configuration says of it.
        snapshot: Its present state; None before any reading.
        age_s: Of its last reading, also of one that gave no value, s; below
            zero when that lies ahead of the clock; None before any.
        cause: Why nothing comes into the journal, where that was looked for.
    """

    settings: DisplaySettings
    snapshot: ReservoirSnapshot | None
    age_s: float | None
    cause: str = "is 'brinewright run' running?"

    @property
    def freshness(self) -> Freshness:
        """How old its last reading is."""
        return Freshness(self.age_s, self.settings.old_after_s)

    @property
    def fresh(self) -> bool:
        """Whether the last reading is of now, by a clock that may be a little off."""
        return self.freshness.fresh

    @property
    def probes(self) -> dict[str, str]:
        """Health of each of its probes, by name."""
        return {} if self.snapshot is None else dict(self.snapshot.probes_health)


@dataclass(frozen=True, slots=True)
class AlarmView:
    """An alarm that is not normal.

    Attributes:
        reservoir: Its reservoir; empty for the station.
        name: As in the catalogue.
        state: Its state, one of ISA-18.2.
        priority: How urgent it is.
        active: Whether its condition holds now.
        why: The reason it was raised for, as a sentence; may be empty.
        do: What to do about it, from the catalogue; may be empty.
        who: Who last did something to it; may be empty.
        reason: Why it is shelved, suppressed or out of service; may be empty.
        until: Until when, ISO 8601; may be empty.
        since: Since when it is in its state, ISO 8601; may be empty.
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
    since: str = ""

    @property
    def announced(self) -> bool:
        """Whether it is raised and neither shelved nor suppressed nor out of service."""
        return self.state in ANNOUNCED_STATES


@dataclass(frozen=True, slots=True)
class StationView:
    """Everything there is to show.

    Attributes:
        station: Its name.
        title: What people call it; empty for its name.
        at: The moment of reading, UTC.
        reservoirs: In the order of the configuration.
        alarms: Every one that is not normal, the most urgent first.
        followers: Every publisher that is configured.
        last_seq: Newest number in the journal; None when it could not be read.
        journal_bytes: What the journal takes; None when there is none.
        free_bytes: Left on its disk; None when that cannot be read.
        trouble: Why the journal could not be read; empty when it could.
        zone: Of the station; times are shown in it.
    """

    station: str
    at: datetime
    reservoirs: Sequence[ReservoirView]
    alarms: Sequence[AlarmView] = ()
    followers: Sequence[Follower] = ()
    last_seq: int | None = None
    journal_bytes: int | None = None
    free_bytes: int | None = None
    trouble: str = ""
    zone: tzinfo = UTC
    title: str = ""


class ViewSource(Protocol):
    """What snapshots come from; the journal's reader is one."""

    def snapshots(self) -> dict[str, ReservoirSnapshot]:
        """Return the present state of each reservoir by name."""

    def station_snapshot(self) -> StationSnapshot | None:
        """Return the present state of the station itself; None before any."""

    def last_seq(self) -> int:
        """Return the newest `seq`."""


@dataclass(slots=True)
class ViewReader:
    """Reads the view; safe to be called by several threads.

    Attributes:
        station: Name of the station.
        settings: Of its reservoirs.
        path: The journal's file.
        journal: The same, to be read.
        followers: Gives the state of the publishers.
        clock: Gives the present moment; that of the rehearsal in a rehearsal.
        zone: Of the station.
        title: What people call the station; empty for its name.
    """

    station: str
    settings: Sequence[DisplaySettings]
    path: Path
    journal: ViewSource
    followers: Callable[[Instant], Sequence[Follower]]
    clock: Callable[[], Instant]
    zone: tzinfo = UTC
    title: str = ""
    _lock: Lock = field(default_factory=Lock, init=False)

    def read(self) -> StationView:
        """Return the view; it says what cannot be read, and nothing is raised."""
        with self._lock:
            now = self.clock()
        unread = StationView(
            self.station,
            now.wall,
            [ReservoirView(each, None, None) for each in self.settings],
            journal_bytes=_size(self.path),
            free_bytes=_free(self.path),
            zone=self.zone,
            title=self.title,
        )
        try:
            return self._read(now, unread)
        except JournalMissingError:
            why = f"nothing has been measured yet; {silence_cause(self.path)}"
            return replace(unread, trouble=why)
        except JournalError as exc:
            return replace(unread, trouble=str(exc))

    def _read(self, now: Instant, unread: StationView) -> StationView:
        snapshots = self.journal.snapshots()
        reservoirs = [
            reservoir_view(each, snapshots.get(each.name), now.wall) for each in self.settings
        ]
        if not all(each.fresh for each in reservoirs):
            cause = silence_cause(self.path)
            reservoirs = [replace(each, cause=cause) for each in reservoirs]
        alarms = [
            each for one in reservoirs for each in alarm_views(one.settings.name, one.snapshot)
        ]
        alarms += alarm_views("", self.journal.station_snapshot())
        return replace(
            unread,
            reservoirs=reservoirs,
            alarms=sorted(alarms, key=_urgency),
            followers=self.followers(now),
            last_seq=self.journal.last_seq(),
        )


@dataclass(slots=True)
class LatestView:
    """The last view, which serves all requests that came before its reading began.

    So a hundred requests at once cost few readings, and no page is older than its request.

    Attributes:
        clock: Monotonic seconds.
    """

    clock: Callable[[], float] = time.monotonic
    _lock: Lock = field(default_factory=Lock, init=False)
    _start_s: float = field(default=float("-inf"), init=False)
    _view: StationView | None = field(default=None, init=False)

    def since(self, requested_s: float, read: Callable[[], StationView]) -> StationView:
        """Return the last view if its reading began after a moment, else a new one.

        Args:
            requested_s: The moment, s.
            read: Gives a new view.
        """
        with self._lock:
            if self._view is not None and self._start_s > requested_s:
                return self._view
        start_s = self.clock()
        view = read()
        with self._lock:
            if start_s > self._start_s:
                self._start_s, self._view = start_s, view
        return view


def reservoir_view(
    settings: DisplaySettings, snapshot: ReservoirSnapshot | None, at: datetime
) -> ReservoirView:
    """Return a reservoir with the age of its last reading."""
    age = None if snapshot is None else age_s(snapshot.time, at)
    return ReservoirView(settings, snapshot, age)


def alarm_views(
    reservoir: str, snapshot: ReservoirSnapshot | StationSnapshot | None
) -> list[AlarmView]:
    """Return the alarms of a snapshot.

    Args:
        reservoir: The snapshot's; empty for the station.
        snapshot: Its present state; None before any.
    """
    if snapshot is None:
        return []
    return [_alarm_view(reservoir, name, each) for name, each in snapshot.alarm_details.items()]


def _alarm_view(reservoir: str, name: str, alarm: AlarmSnapshot) -> AlarmView:
    row = CATALOGUE.get(name)
    return AlarmView(
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
        since=alarm.since,
    )


def _urgency(alarm: AlarmView) -> tuple[bool, int, str, str]:
    known = URGENCY.index(alarm.priority) if alarm.priority in URGENCY else len(URGENCY)
    return not alarm.announced, known, alarm.name, alarm.reservoir


def _size(path: Path) -> int | None:
    sizes = []
    for each in (path, Path(f"{path}-wal")):
        with suppress(OSError):
            sizes.append(each.stat().st_size)
    return sum(sizes) if sizes else None


def _free(path: Path) -> int | None:
    try:
        disk = os.statvfs(path.parent)
    except OSError:
        return None
    return disk.f_bavail * disk.f_frsize
