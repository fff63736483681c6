"""What runs in the campaign of killed backups and restores, and what was found in it."""

from __future__ import annotations

import random
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeAlias

from daemon.entries import Entry
from daemon.journal.cursors import Cursors, cursors_path
from daemon.journal.inbox import Inbox, beside
from daemon.journal.reader import Reader, Stored
from daemon.publishing.resume_point import ResumePoint
from daemon.publishing.sink import follow
from tests.services.service_parts import ROOT, Process, Station

SINK = "subscriber"
VERB = (sys.executable, "-m", "daemon.cli.main", "backup")
LOOK_S = 0.0005
Mark: TypeAlias = Callable[[], bool]
"""Whether a verb has come to some point."""


@dataclass
class Subscriber:
    """Keeps what comes first under a number, and notices when another thing comes under it.

    Attributes:
        name: Of its cursor.
        has: By number.
        doubled: Numbers under which something else came.
    """

    name: str = SINK
    has: dict[int, Entry] = field(default_factory=dict)
    doubled: list[int] = field(default_factory=list)

    def deliver(self, entries: Sequence[Stored]) -> None:
        """Take all."""
        for each in entries:
            if self.has.setdefault(each.seq, each.entry) != each.entry:
                self.doubled.append(each.seq)

    def pressing(self) -> bool:
        """Nothing ever comes in."""
        return False

    def close(self) -> None:
        """Nothing to say good-bye to."""


@dataclass
class Scene:
    """Everything that runs, and what was found.

    Attributes:
        station: Its folder and journal.
        measure: The measuring process.
        rng: Chance.
        ends: What came of each kill.
        faults: What must not be, as sentences.
        subscriber: What was published.
        command_count: Commands sent so far.
    """

    station: Station
    measure: Process
    rng: random.Random
    ends: Counter[str] = field(default_factory=Counter)
    faults: list[str] = field(default_factory=list)
    subscriber: Subscriber = field(default_factory=Subscriber)
    command_count: int = 0

    @property
    def journal(self) -> Path:
        """The journal's path."""
        return self.station.folder / "journal.db"

    @property
    def file(self) -> Path:
        """Where it is backed up to."""
        return self.station.folder / "a.backup"

    def ask(self) -> None:
        """Send a command; nobody waits for the answer."""
        self.command_count += 1
        words = (f"id-{self.command_count}", "kim", "cli", "batch.note", "mix-1", {"text": "x"})
        Inbox(beside(self.journal)).submit(*words)

    def publish(self) -> None:
        """Publish all that is to be published."""
        with Cursors(cursors_path(self.journal)) as cursors:
            position = ResumePoint(cursors)
            while follow(Reader(self.journal), position, self.subscriber):
                pass

    def verb(self, *words: str) -> subprocess.Popen[bytes]:
        """Start `brinewright backup WORDS`."""
        log = (self.station.folder / "backup.log").open("ab")
        with log:
            return subprocess.Popen(
                [*VERB, *words, "--config", str(self.station.config)],
                cwd=ROOT,
                stdout=log,
                stderr=log,
            )

    def must(self, holds: bool, what: str) -> None:  # noqa: FBT001 - as an assertion reads
        """Note down what does not hold."""
        if not holds:
            self.faults.append(what)


def holds(mark: Mark) -> bool:
    """Look for files that may come and go at any moment."""
    try:
        return mark()
    except OSError:
        return False


def learned(scene: Scene, words: Sequence[str], marks: Sequence[Mark]) -> list[float]:
    """Let a verb come to its end; return how long that was after each of its marks, s."""
    process, reached = scene.verb(*words), [0.0] * len(marks)
    while process.poll() is None:
        for number, mark in enumerate(marks):
            if not reached[number] and holds(mark):
                reached[number] = time.monotonic()
        time.sleep(LOOK_S)
    end = time.monotonic()
    scene.must(process.returncode == 0, f"{words[0]} ended with {process.returncode}")
    return [end - at if at else 0.0 for at in reached]


def killed(scene: Scene, words: Sequence[str], marks: Sequence[Mark], spans_s: list[float]) -> bool:
    """Start a verb and kill it at a random moment after one of its marks; False if it had ended.

    Args:
        scene: Where.
        words: Of the verb.
        marks: What shows how far it is.
        spans_s: How long it takes from each of them to its end; corrected by what is seen, for
            the load of a machine changes.
    """
    number = scene.rng.randrange(len(marks))
    span_s = scene.rng.uniform(0.0, 1.1 * spans_s[number])
    process = scene.verb(*words)
    while process.poll() is None and not holds(marks[number]):
        time.sleep(LOOK_S)
    if process.poll() is None:
        time.sleep(span_s)  # the random moment
    died = process.poll() is None
    process.kill()
    process.wait()
    spans_s[number] *= 1.1 if died else 0.7
    scene.must(died or process.returncode == 0, f"{words[0]} ended with {process.returncode}")
    return died
