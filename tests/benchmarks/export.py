"""A day out of a long journal: how long it takes, and in how much memory a month streams.

    python -m tests.benchmarks.export
    python -m tests.benchmarks.export --days 153 --kept 153 --period 1

The journal is of one probe: minute summaries for what is past its time, readings after it, and
an event among five hundred of them.  A service would have written a reading each second or two;
with one in ten seconds the journal of a year is made in a minute, and a day of its summaries has
as many minutes.

Each figure stands beside a floor, the same rows asked for by their numbers, and beside what
looks at every entry, as an export did before there were blocks.  The wall clock of the journal
is set back and forth on the way.  Nothing is asserted but that all give the same: a slow machine
is no fault.
"""

from __future__ import annotations

import argparse
import os
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TypeVar

from daemon.entries import Event, Flag, Instant, Kind, Reading
from daemon.journal import blocks, rows
from daemon.journal.event_codec import body_of
from daemon.journal.reader import Reader
from daemon.journal.reading_table import ReadingTable, Step
from daemon.journal.retention import SUMMARY
from daemon.journal.selection import Selection, events, readings, summaries
from daemon.journal.summaries import Summary, summary_rows
from daemon.journal.writer import EVENT, Writer
from daemon.mixing.probe.quality import TESTS

T = TypeVar("T")

GOAL_MS = 50.0
START = datetime(2026, 1, 1, tzinfo=UTC)
ORIGIN = ("mix-1", "ct-1", "boot-1", "")
OWN = ("mix-1", "", "boot-1", "")
TESTS_PASSED = dict.fromkeys(TESTS, Flag.PASS)
MINUTE = timedelta(minutes=1)
DAY = timedelta(days=1)
MONTH = 30 * DAY
EVENT_AMONG = 500
ENTRIES = ("readings", "events", "batches")
ROUNDS = 5
MEASURED = """
import sys
from pathlib import Path
from daemon.cli.main import invoke
from daemon.journal.reading_table import ReadingTable, Step
code = invoke(sys.argv[1:])
(most,) = [line for line in Path("/proc/self/status").read_text().splitlines() if "VmHWM" in line]
sys.stderr.write(most.split()[1])
sys.exit(code)
"""
"""Says at the end how much memory, kB, the command took at most: of itself, not of its parent."""
CONFIG = """
[station]
name = "wing"
[[reservoir]]
name = "mix-1"
capacity_l = 220
fill_l = 180
target_ppt = 34.0
tolerance_ppt = 1.0
[[reservoir.probe]]
name = "ct-1"
driver = "line"
port = "/dev/none"
reply = '(?P<conductivity>[0-9.]+),(?P<temperature>[0-9.]+)'
units = { conductivity = "mS/cm", temperature = "degC" }
compensation = "none"
"""


@dataclass(frozen=True)
class Shape:
    """What the journal holds.

    Attributes:
        days: In all.
        kept: Days of them that are readings still.
        period_s: Between readings.
    """

    days: int
    kept: int
    period_s: float

    @property
    def in_minute(self) -> int:
        """Readings that a summary stands for."""
        return max(1, int(60 / self.period_s))


def moments(first: datetime, last: datetime, step: timedelta) -> Iterator[datetime]:
    """What the wall clock shows, at each step; it is a day off for an hour each tenth day."""
    count = 0
    while (wall := first + count * step) < last:
        astray = wall.hour == 3 and wall.day % 10 == 0
        yield wall + (DAY if wall.month % 2 else -DAY) if astray else wall
        count += 1


def reading(wall: datetime) -> Reading:
    """A good one."""
    at = Instant(wall, (wall - START).total_seconds(), "boot-1")
    return Reading("mix-1", "ct-1", at, 51.234, 24.56, 33.912, 0.0512, Flag.PASS, TESTS_PASSED)


def write(path: Path, shape: Shape) -> None:
    """Write the journal, past the writer, which would force each turn to the card."""
    Writer(path).close()
    edge = START + (shape.days - shape.kept) * DAY
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.execute("PRAGMA synchronous = OFF")
        db.execute("BEGIN")
        for number, origin in enumerate((ORIGIN, OWN), start=1):
            db.execute("INSERT INTO origins VALUES (?, ?, ?, ?, ?)", (number, *origin))
        db.executemany(SUMMARY, _summaries(shape, edge))
        begin = (shape.days - shape.kept) * 1440 * shape.in_minute
        for step in _readings(shape, edge, begin):
            db.execute(*step)
        db.executemany(EVENT, _events(shape, begin))
        (last,) = db.execute("SELECT max(seq) FROM readings").fetchone()
        db.execute("UPDATE summarised SET to_seq = ?", (begin,))
        db.execute(
            "INSERT INTO memory VALUES (1, ?, '', ?)", (last, rows.text_proof(f"{last}", ""))
        )
        db.execute("COMMIT")


def _summaries(shape: Shape, edge: datetime) -> Iterator[tuple[object, ...]]:
    each = shape.in_minute
    for number, wall in enumerate(moments(START, edge, MINUTE)):
        ends = (number * each + 1, number * each + each)
        yield from summary_rows([(seq, 1, reading(wall)) for seq in ends])


def _readings(shape: Shape, edge: datetime, seq: int) -> Iterator[Step]:
    end, table = START + shape.days * DAY, ReadingTable()
    for wall in moments(edge, end, timedelta(seconds=shape.period_s)):
        seq += 1
        if seq % EVENT_AMONG:  # events have the numbers between
            yield from table.steps(seq, 1, ORIGIN, reading(wall))


def _events(shape: Shape, begin: int) -> Iterator[tuple[object, ...]]:
    end = START + shape.days * DAY
    step = EVENT_AMONG * timedelta(seconds=shape.period_s)
    edge = end - shape.kept * DAY
    for number, wall in enumerate(moments(edge + step, end, step), start=1):
        at = Instant(wall, (wall - START).total_seconds(), "boot-1")
        kind = Kind.DISTURBED if number % 2 else Kind.FORECAST
        event = Event(
            "mix-1", at, f"mix-1-{wall:%j}", body_of(kind, {"at": "2026-01-01T08:00:00Z"})
        )
        seq = begin + EVENT_AMONG * number - begin % EVENT_AMONG
        if seq > begin:
            yield rows.event_row(seq, 2, OWN, event)


def catch_up(path: Path) -> float:
    """Make all blocks as a writer does after an update; return the seconds of CPU."""
    began_s = time.process_time()
    with Writer(path) as writer:
        while writer.within(blocks.make) == blocks.ENTRIES:
            pass
    return time.process_time() - began_s


def best_ms(work: Callable[[], object]) -> float:
    """CPU of the quickest of some rounds, ms."""
    return min(timed_ms(work)[0] for _ in range(ROUNDS))


def timed_ms(work: Callable[[], T]) -> tuple[float, T]:
    """CPU of some work, ms, and what it gave."""
    began_s = time.process_time()
    result = work()
    return 1000.0 * (time.process_time() - began_s), result


def by_scan(reader: Reader, selection: Selection, kind: type) -> list[int]:
    """Numbers of the selected entries of a kind, by looking at each that there is."""
    found, seq = [], 0
    while some := reader.after(seq, 2000):
        seq = some[-1].seq
        found += [
            each.seq
            for each in some
            if isinstance(each.entry, kind)
            and selection.holds(each.entry.reservoir, each.entry.at.wall)
        ]
    return found


def summaries_by_scan(reader: Reader, selection: Selection) -> list[Summary]:
    """The selected summaries, by looking at each that there is."""
    found, after = [], 0
    while some := reader.summaries(after):
        after = some[-1][0]
        known = [each for _, each in some if each is not None]
        found += [each for each in known if selection.holds(each.reservoir, each.minute)]
    return found


def summaries_by_blocks(reader: Reader, selection: Selection) -> list[Summary]:
    """The selected summaries."""
    return [each for some in summaries(reader, selection) for each in some if each is not None]


def day_of_summaries(reader: Reader, day: Selection) -> str:
    """Compare the three ways to a day of minute summaries."""
    found = summaries_by_blocks(reader, day)
    scan, expected = timed_ms(lambda: summaries_by_scan(reader, day))
    if found != expected:
        sys.exit("the day's summaries are not those that lie in it")
    first = min(each.first_seq for each in found if each.minute.hour != 3)
    floor = best_ms(lambda: reader.summaries(first - 1, 1440))
    took = best_ms(lambda: summaries_by_blocks(reader, day))
    return _line(f"{len(found)} minute summaries of a day", took, floor, scan)


def day_of_entries(reader: Reader, day: Selection, kind: type) -> str:
    """Compare the three ways to a day of readings or events."""
    some = readings if kind is Reading else events
    last = reader.last_seq()

    def ask() -> list[int]:
        return [each.seq for few in some(reader, day, last) for each in few]

    found = ask()
    scan, expected = timed_ms(lambda: by_scan(reader, day, kind))
    if found != expected:
        sys.exit(f"the day's {kind.__name__}s are not those that lie in it")
    floor = best_ms(lambda: _by_numbers(reader, found, kind))
    return _line(f"{len(found)} {kind.__name__}s of a day", best_ms(ask), floor, scan)


def _by_numbers(reader: Reader, found: list[int], kind: type) -> None:
    table, columns = ("readings", rows.READING_SELECTED)
    if kind is Event:
        table, columns = ("events", rows.EVENT_SELECTED)
    make = rows.to_reading if kind is Reading else rows.to_event
    origin = ORIGIN if kind is Reading else OWN
    with reader.transaction() as db:
        # The clock was astray at the day's edge, so the middle stands for as many.
        middle = found[len(found) // 2]
        question = f"SELECT {columns} FROM {table} WHERE seq > ? ORDER BY seq LIMIT ?"  # noqa: S608
        for row in db.execute(question, (middle - len(found) // 2, len(found))):
            make(row, origin)


def _line(what: str, took: float, floor: float, scan: float) -> str:
    return (
        f"{what}: {took:.1f} ms, {took / floor:.1f} times the floor of {floor:.1f} ms,"
        f" 1/{scan / took:.0f} of the {scan / 1000.0:.2f} s that looking at every entry takes\n"
    )


def command(folder: Path, *words: str) -> tuple[float, float, int]:
    """Run an export; return its seconds of wall clock, its peak memory, MiB, and its lines."""
    out, config = folder / "out", folder / "brinewright.toml"
    # Compiling would take the most memory, where bytecode is not kept.
    kept = {"PYTHONPYCACHEPREFIX": str(folder / "bytecode"), "PYTHONDONTWRITEBYTECODE": ""}
    began_s = time.monotonic()
    with out.open("wb") as file:
        done = subprocess.run(
            [sys.executable, "-c", MEASURED, "export", *words, "--config", config],
            stdout=file,
            stderr=subprocess.PIPE,
            text=True,
            check=True,
            env=os.environ | kept,
        )
    took_s = time.monotonic() - began_s
    with out.open("rb") as file:
        return took_s, float(done.stderr.split()[-1]) / 1024.0, sum(1 for _ in file)


def between(first: datetime, last: datetime) -> list[str]:
    """The words of a command for a range of time."""
    return ["--from", first.isoformat(), "--to", last.isoformat()]


def selected(first: datetime) -> Selection:
    """The day that begins then."""
    return Selection(None, first, first + DAY)


def main() -> None:
    """Print the figures; exit 1 when a range is not what lies in it."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.export")
    parser.add_argument("--days", type=int, default=365)
    parser.add_argument("--kept", type=int, default=90)
    parser.add_argument("--period", type=float, default=10.0, help="seconds between readings")
    given = parser.parse_args()
    shape, say = Shape(given.days, given.kept, given.period), sys.stdout.write
    with tempfile.TemporaryDirectory() as text:
        folder = Path(text)
        path = folder / "journal.db"
        (folder / "brinewright.toml").write_text(f'{CONFIG}[journal]\npath = "{path}"\n')
        write(path, shape)
        cpu_s, reader = catch_up(path), Reader(path)
        with reader.transaction() as db:
            counts = [
                db.execute(f"SELECT count(*) FROM {table}").fetchone()[0]  # noqa: S608
                for table in ("summaries", "readings", "events", "blocks")
            ]
        say("{} summaries, {} readings, {} events, {} blocks".format(*counts))
        million = sum(counts[:3]) / 1e6
        say(f", {path.stat().st_size / 1e6:.0f} MB; blocks made in {cpu_s / million:.2f} s of CPU")
        say(" for a million of rows\n")
        old = START + (shape.days - shape.kept) // 2 * DAY
        new = START + (shape.days - shape.kept // 2) * DAY
        if shape.kept < shape.days:
            say(day_of_summaries(reader, selected(old)))
        say(day_of_entries(reader, selected(new), Reading))
        say(day_of_entries(reader, selected(new), Event))
        say(f"aim for a day of minute summaries: {GOAL_MS:g} ms\n")
        _say_commands(folder, old if shape.kept < shape.days else new, new)


def _say_commands(folder: Path, old: datetime, new: datetime) -> None:
    say = sys.stdout.write
    old_day, new_day = between(old, old + DAY), between(new, new + DAY)
    command(folder, "events", *new_day)  # whose bytecode is kept for the others
    for words in (["summaries", *old_day], *([what, *new_day] for what in ENTRIES)):
        took_s, _, lines = command(folder, *words)
        say(f"export {words[0]} of a day, {lines} lines: {took_s:.2f} s with its start\n")
    for form in ("csv", "jsonl"):
        for words in (["readings", *new_day], ["readings", *between(new, new + MONTH)]):
            took_s, most_mib, lines = command(folder, *words, "--format", form)
            say(
                f"{form}, {lines} lines of {words[0]}: {took_s:.1f} s, at most {most_mib:.1f} MiB\n"
            )


if __name__ == "__main__":
    main()
