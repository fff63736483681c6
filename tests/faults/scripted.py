"""A measuring loop on scripted parts, in a house where it can be killed and rebooted."""

from __future__ import annotations

import logging
import math
import shutil
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from daemon.entries import JSON, Command, Entry, Instant, Sample
from daemon.journal.inbox_owner import OwnInbox
from daemon.journal.reader import Reader
from daemon.journal.station_restore import restore_station
from daemon.journal.writer import Writer
from daemon.measure.main import make_loop
from daemon.probes.joined import Instruments
from tests.campaigns.rooms import RESERVOIR, START, Room
from tests.parts.snapshots import snapshots_in
from tests.parts.weights import weights

if TYPE_CHECKING:
    from collections.abc import Mapping

    from daemon.journal.reading_table import Step


HOUR_S = 3600.0
YEAR = timedelta(days=365)
KILLS = 20
MIXING_S = 2.0 * HOUR_S
LOG = logging.getLogger("tests.batches")
NEVER_FORCED_S = 1e9


class KilledError(BaseException):
    """The process is gone; nothing of it may catch this."""


@dataclass
class ScriptedClock:
    """What the machine's clocks show, and what is the matter with them.

    Attributes:
        true_s: Seconds since the two days began; only the script knows them.
        boot: Of the machine.
        booted_s: When that was, true seconds.
        off: How far the wall clock is from the truth.
        synced: Whether it says that it was set by a time service.
    """

    true_s: float = 0.0
    boot: str = "boot-1"
    booted_s: float = 0.0
    off: timedelta = timedelta(0)
    synced: bool = True

    def now(self) -> Instant:
        """The moment as the daemon sees it."""
        wall = START + timedelta(seconds=self.true_s) + self.off
        return Instant(wall, round(self.true_s - self.booted_s + 12.0, 3), self.boot, self.synced)

    def mono_s(self) -> float:
        """The monotonic time of it."""
        return self.now().mono_s

    def real_s(self, duration_s: float) -> float:
        """As long as it says; nobody waits it out, for the probe can be woken at any time."""
        return duration_s


@dataclass
class ScriptedProbe:
    """A probe that says what it is given, when it is next woken."""

    due: list[Sample] = field(default_factory=list)

    def fileno(self) -> int | None:
        """Nothing to watch."""
        return None

    def wake_s(self) -> float:
        """At any time."""
        return -math.inf

    def readable(self, now: Instant) -> list[Sample]:
        """Nothing comes by itself."""
        return []

    def wake(self, now: Instant) -> list[Sample]:
        """Say what is due, stamped by the daemon's clock as a driver does."""
        said, self.due = self.due, []
        return [replace(sample, at=now) for sample in said]

    def close(self) -> None:
        """Nothing is open."""


class MortalWriter(Writer):
    """A writer during whose next transaction the process may be killed."""

    doom: Callable[[], None] | None = None
    when: str = ""

    def append(
        self,
        entries: Sequence[Entry],
        now_s: float,
        snapshots: Mapping[str, JSON] | None = None,
        memory: str | None = None,
    ) -> None:
        """Write, unless the process ends before, within or right after it."""
        self._ends("before")
        super().append(entries, now_s, snapshots, memory)
        self._ends("after")

    def _run(self, steps: Sequence[Step]) -> None:
        if self.doom is not None and self.when == "within":
            self._db.execute("BEGIN IMMEDIATE")
            for statement, values in steps:
                self._db.execute(statement, values)
            self._ends("within")
        super()._run(steps)

    def _ends(self, where: str) -> None:
        if self.doom is not None and self.when == where:
            self.doom()
            raise KilledError


class House:
    """The measuring process over its files, started again as often as it is killed."""

    def __init__(self, folder: Path, room: Room, clock: ScriptedClock) -> None:
        """Start it for the first time, on nothing."""
        self.settings = {RESERVOIR: room.reservoir_settings()}
        self.clock, self.probe = clock, ScriptedProbe()
        self.folder, self.lives = folder, 0
        self._start()

    @property
    def path(self) -> Path:
        """The journal of the present life."""
        return self.folder / f"life-{self.lives}" / "journal.db"

    def _start(self) -> None:
        self.path.parent.mkdir(parents=True, exist_ok=True)
        # A sync to the card protects from a power cut, which is not what is played here.
        self.writer = MortalWriter(self.path, NEVER_FORCED_S)
        self.inbox = OwnInbox(self.path)
        self.station = restore_station(self.path, self.settings, weights(), LOG)
        self.loop = make_loop(
            self.station, Instruments([self.probe]), self.writer, self.clock, LOG, self.inbox
        )
        self.loop.take_commands(self.clock.now())

    def give(self, item: Sample | Command) -> None:
        """Let one thing come in by the way that it comes in."""
        if isinstance(item, Sample):
            self.probe.due.append(item)
        else:
            self.inbox.submit(
                item.id, item.who, item.via, item.verb, item.reservoir, dict(item.facts)
            )
        self.loop.turn()

    def kill(self, when: str, item: Sample | Command) -> None:
        """Give one thing and end the process at this point of it; then start the next."""
        files = [*self.path.parent.iterdir()] if when == "between" else None
        if when == "between":
            self.give(item)
        after = self.folder / f"life-{self.lives + 1}"

        def leave() -> None:
            left_out = shutil.ignore_patterns("*.lock", "*-shm", "*.bell")
            shutil.copytree(self.path.parent, after, ignore=left_out)

        if files is not None:
            leave()
        else:
            self.writer.when, self.writer.doom = when, leave
            with pytest.raises(KilledError):
                self.give(item)
        self.writer.close()
        self.lives += 1
        self.probe.due.clear()
        self._start()

    def age_h(self) -> float | None:
        """Age of the batch as the outside sees it."""
        value = self.picture()["age_h"]
        assert value is None or isinstance(value, float)
        return value

    def picture(self) -> dict[str, JSON]:
        """The kept picture of the reservoir."""
        found = snapshots_in(Reader(self.path))[RESERVOIR]
        assert isinstance(found, dict)
        return found
