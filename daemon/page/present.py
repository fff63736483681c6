"""What the page and the metrics are made of: one look at the journal and at what is around it.

Each look opens the journal read-only and closes it again, so that nobody who
looks at a page ever holds up who measures.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from threading import Lock
from typing import Protocol

from daemon.entries import JSON, Event, Follower, Instant
from daemon.journal.writer import JournalError, JournalMissingError
from daemon.mixing.alarm_catalogue import CATALOGUE

OVER = ("cleared", "normal")
"""States of an alarm in which there is nothing to show."""


@dataclass(frozen=True, slots=True)
class Expected:
    """A reservoir as the configuration has it.

    Attributes:
        name: Its name.
        target_ppt: Wanted salinity.
        tolerance_ppt: By how much it may differ.
        old_after_s: A reading older than that tells nothing of now, s.
    """

    name: str
    target_ppt: float
    tolerance_ppt: float
    old_after_s: float = 60.0


@dataclass(frozen=True, slots=True)
class Seen:
    """A reservoir as the journal has it.

    Attributes:
        expected: What the configuration says of it.
        picture: Its present picture; None before any reading.
        age_s: Of its last reading, also of one that gave no value, s; below
            zero when that lies ahead of the clock; None before any.
    """

    expected: Expected
    picture: Mapping[str, JSON] | None
    age_s: float | None

    @property
    def fresh(self) -> bool:
        """Whether the last reading is of now, by a clock that may be a little off."""
        limit_s = self.expected.old_after_s
        return self.age_s is not None and -limit_s <= self.age_s <= limit_s


@dataclass(frozen=True, slots=True)
class Standing:
    """An alarm that is not over.

    Attributes:
        reservoir: It is about; empty for the station.
        name: As in the catalogue.
        state: Where it stands.
        priority: How urgent it is; empty where the catalogue does not say.
        why: The reason it was raised for, as a sentence; may be empty.
        means: What is wrong, from the catalogue; may be empty.
        do: What to do about it, from the catalogue; may be empty.
    """

    reservoir: str
    name: str
    state: str
    priority: str
    why: str
    means: str
    do: str


@dataclass(frozen=True, slots=True)
class Present:
    """Everything there is to show.

    Attributes:
        station: Its name.
        at: The moment of the look, UTC.
        reservoirs: In the order of the configuration.
        alarms: Every one that stands.
        followers: Every publisher that is configured.
        last_seq: Newest number in the journal; None when it could not be read.
        journal_bytes: What the journal takes; None when there is none.
        free_bytes: Left where it lies; None when nobody can tell.
        trouble: Why the journal could not be read; empty when it could.
    """

    station: str
    at: datetime
    reservoirs: Sequence[Seen]
    alarms: Sequence[Standing] = ()
    followers: Sequence[Follower] = ()
    last_seq: int | None = None
    journal_bytes: int | None = None
    free_bytes: int | None = None
    trouble: str = ""


class Journal(Protocol):
    """What is looked at; the journal's reader is one."""

    def identity(self) -> str:
        """Return what tells this journal from another."""

    def pictures(self) -> dict[str, JSON]:
        """Return the picture of each reservoir by name."""

    def alarms(self, since_seq: int = 0) -> list[tuple[int, Event]]:
        """Return the events about alarms after `since_seq`, in order."""

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
    """

    station: str
    expected: Sequence[Expected]
    path: Path
    journal: Journal
    followers: Callable[[Instant], Sequence[Follower]]
    clock: Callable[[], Instant]
    _newest: dict[tuple[str, str], Event] = field(default_factory=dict, init=False)
    _alarms_to_seq: int = field(default=0, init=False)
    _journal: str = field(default="", init=False)
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
        )
        try:
            return self._look(now, blind)
        except JournalMissingError:
            why = "nothing has been measured yet; start 'brinewright run'"
            return replace(blind, trouble=why)
        except JournalError as exc:
            return replace(blind, trouble=str(exc))

    def _look(self, now: Instant, blind: Present) -> Present:
        pictures, newest = self.journal.pictures(), self._renewed_alarms()
        return replace(
            blind,
            reservoirs=[seen(each, pictures.get(each.name), now.wall) for each in self.expected],
            alarms=standing(newest, pictures, [each.name for each in self.expected]),
            followers=self.followers(now),
            last_seq=self.journal.last_seq(),
        )

    def _renewed_alarms(self) -> list[Event]:
        """Read only what is new: alarms of years are not read again for each look."""
        with self._lock:
            if (journal := self.journal.identity()) != self._journal:
                self._newest.clear()
                self._alarms_to_seq, self._journal = 0, journal
            for seq, event in self.journal.alarms(self._alarms_to_seq):
                self._newest[event.reservoir, str(event.facts.get("name"))] = event
                self._alarms_to_seq = seq
            return list(self._newest.values())


def seen(expected: Expected, picture: JSON, at: datetime) -> Seen:
    """Return a reservoir with the age of its last reading."""
    if not isinstance(picture, dict):
        return Seen(expected, None, None)
    age_s = None
    with suppress(ValueError, TypeError):
        age_s = (at - datetime.fromisoformat(str(picture.get("time")))).total_seconds()
    return Seen(expected, picture, age_s)


def standing(
    newest: Sequence[Event], pictures: Mapping[str, JSON], reservoirs: Sequence[str]
) -> list[Standing]:
    """Return the alarms that stand.

    Args:
        newest: The last event of each alarm.
        pictures: Of each reservoir; those of a reservoir tell which of its alarms stand.
        reservoirs: Names of all; alarms of others are left out.
    """
    found = []
    for event in newest:
        name, state = str(event.facts.get("name")), str(event.facts.get("state"))
        if state in OVER or (event.reservoir and event.reservoir not in reservoirs):
            continue
        if event.reservoir and name not in _raised(pictures.get(event.reservoir)):
            continue
        kind = CATALOGUE.get(name)
        found.append(
            Standing(
                event.reservoir,
                name,
                state,
                str(event.facts.get("priority") or getattr(kind, "priority", "") or ""),
                str(event.facts.get("why") or ""),
                "" if kind is None else kind.means,
                "" if kind is None else kind.do,
            )
        )
    return sorted(found, key=lambda each: (each.reservoir, each.name))


def _raised(picture: JSON) -> list[JSON]:
    alarms = picture.get("alarms") if isinstance(picture, dict) else None
    return alarms if isinstance(alarms, list) else []


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
