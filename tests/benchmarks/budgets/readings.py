"""CPU of a reading in real time: the service and the floor side by side, under a watchdog.

Each is a process of its own with an instrument of its own, and all run at once, so that what else
the machine does falls on all alike.  At one reading a second a process is cold each time it wakes,
which is most of what a reading costs and shows in no loop that goes round without a rest.
"""

from __future__ import annotations

import math
import os
import pty
import select
import sqlite3
import sys
import threading
import time
import tty
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager, suppress
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

from daemon.journal.errors import JournalError
from daemon.journal.reader import Reader
from tests.benchmarks.budgets.processes import cpu_s, watchdog
from tests.benchmarks.budgets.table import Row
from tests.conftest import wait_until
from tests.services import service_parts as parts

AIMS = {1.0: 4.0, 10.0: 2.5}
"""Times the floor, by readings a second."""
WARM_S = 5.0
LEAST_SHARE = 0.6
"""Of the readings that are due; where fewer come, the machine is too busy for a figure."""
PATIENCE_S = 120.0
FASTEST_HZ = 5.0
"""Of one probe, by the least period that a configuration may give it."""
WORDS = 997
"""Values that an instrument goes through; a prime, so that no window sees a period."""


@dataclass(frozen=True, slots=True)
class Case:
    """One way in which readings come.

    Attributes:
        hz: Readings a second, of as many probes as that takes.
        asked: Whether the instrument is asked; else it talks.
    """

    hz: float
    asked: bool

    @property
    def name(self) -> str:
        """In words."""
        return f"{'polled' if self.asked else 'talking'} at {self.hz:g} Hz"

    @property
    def probes(self) -> int:
        """How many probes give them together."""
        return math.ceil(self.hz / FASTEST_HZ)

    @property
    def probe(self) -> str:
        """The section of each of its probes."""
        text = parts.POLLED if self.asked else parts.FREE_RUNNING
        period = f"period_s = {self.probes / self.hz:g}"
        return text.replace("period_s = 10", period).replace("timeout_s = 10", "timeout_s = 0.15")


CASES = tuple(Case(hz, asked) for hz in AIMS for asked in (True, False))


@dataclass(slots=True)
class Instruments:
    """Instruments on real lines, served by one thread of this process.

    Attributes:
        asked: Masters of those that answer.
        talking: Masters of those that talk, each with its period, s.
    """

    asked: list[int] = field(default_factory=list)
    talking: list[tuple[int, float]] = field(default_factory=list)
    _stop: threading.Event = field(default_factory=threading.Event)
    _count: int = 0

    def port(self, case: Case, hz: float, stack: ExitStack) -> str:
        """Return the port of one more, that talks so often if it does."""
        master, slave = pty.openpty()
        tty.setraw(slave)
        os.set_blocking(master, False)
        stack.callback(os.close, master)
        stack.callback(os.close, slave)
        if case.asked:
            self.asked.append(master)
        else:
            self.talking.append((master, 1.0 / hz))
        return os.ttyname(slave)

    @contextmanager
    def serving(self) -> Iterator[None]:
        """Serve them until the block ends."""
        thread = threading.Thread(target=self._serve)
        thread.start()
        try:
            yield
        finally:
            self._stop.set()
            thread.join()

    def _serve(self) -> None:
        due = [[time.monotonic(), period_s, float(master)] for master, period_s in self.talking]
        while not self._stop.is_set():
            wait_s = min((each[0] for each in due), default=time.monotonic() + 0.5)
            ready = select.select(self.asked, [], [], max(0.0, wait_s - time.monotonic()))[0]
            for master in ready:
                os.read(master, 4096)
                self._say(master)
            for each in due:
                if each[0] <= time.monotonic():
                    each[0] += each[1]
                    self._say(int(each[2]))

    def _say(self, master: int) -> None:
        self._count += 1
        shift = self._count % WORDS
        with suppress(BlockingIOError):  # nobody reads yet
            os.write(master, f"{50_000 + shift},{24.0 + shift / 1e4:.4f}\n".encode())


def _count_of(path: Path) -> int:
    """Return how many rows a floor has kept."""
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as db, suppress(sqlite3.Error):
        return int(db.execute("SELECT max(seq) FROM r").fetchone()[0] or 0)
    return 0


def _last_of(path: Path) -> int:
    """Return how many entries a journal holds."""
    with suppress(JournalError):
        return Reader(path).last_seq()
    return 0


def rows(folder: Path, seconds: float) -> list[Row]:
    """Measure every case for so long, all at once."""
    instruments, watched = Instruments(), []
    with ExitStack() as stack:
        environment = stack.enter_context(watchdog())
        started = []
        for case in CASES:
            place = folder / case.name.replace(" ", "-")
            place.mkdir()
            station = parts.Station(place, speed=1.0, probes=[case.probe] * case.probes)
            for number in range(1, case.probes + 1):
                port = instruments.port(case, case.hz / case.probes, stack)
                station.port(number).symlink_to(port)
            bare, port = place / "floor.db", instruments.port(case, case.hz, stack)
            ask = ["--ask", f"{case.hz:g}"] if case.asked else []
            service = ("daemon.measure", "--config", str(station.config))
            floor = ("tests.benchmarks.budgets.floor", port, str(bare), *ask)
            started += [("measure", service, place), ("floor", floor, place)]
            watched += [partial(_last_of, place / "journal.db"), partial(_count_of, bare)]
        stack.enter_context(instruments.serving())
        processes = [
            stack.enter_context(parts.running(name, *words, folder=place, environment=environment))
            for name, words, place in started
        ]
        wait_until(lambda: all(count() for count in watched), "all to read", PATIENCE_S)
        time.sleep(WARM_S)
        before = [(cpu_s(one.pid), count()) for one, count in zip(processes, watched, strict=True)]
        time.sleep(seconds)
        after = [(cpu_s(one.pid), count()) for one, count in zip(processes, watched, strict=True)]
    spent_us = [
        1e6 * (late[0] - early[0]) / max(1, late[1] - early[1])
        for early, late in zip(before, after, strict=True)
    ]
    short = [late[1] - early[1] for early, late in zip(before, after, strict=True)]
    return [
        _row(
            case, spent_us[2 * number : 2 * number + 2], short[2 * number : 2 * number + 2], seconds
        )
        for number, case in enumerate(CASES)
    ]


def _row(case: Case, spent_us: list[float], counts: list[int], seconds: float) -> Row:
    if min(counts) < LEAST_SHARE * seconds * case.hz:
        sys.exit(f"{case.name}: only {counts} readings in {seconds:g} s: no figure")
    service, floor = spent_us
    return Row.of(
        f"CPU of a reading, {case.name}, watchdog on", service, floor, "µs", AIMS[case.hz]
    )
