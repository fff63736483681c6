"""From ten minutes to a year out of a year's journal at a reading a second: how long a trend takes.

    python -m tests.benchmarks.trend_year
    python -m tests.benchmarks.trend_year --days 20
    python -m tests.benchmarks.trend_year --at FOLDER    keep it there, or use what is there

The journal is of one reservoir and one probe, none of it minute summaries, with a batch a day, its
forecasts, an alarm now and then, spikes and silences.  Its trend file is filled as the publishing
process fills it, but without a rest.  Then each span is asked for as the page asks, to the bytes
of the answer: cold, after the system was told to forget both files, and warm.  Nothing is asserted
but that each answer holds every reading of its span: a slow machine is no fault.
"""

from __future__ import annotations

import argparse
import os
import sqlite3
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from statistics import median
from typing import Any

from daemon.entries import JSON, Event, Flag, Instant, Kind, Reading
from daemon.journal import blocks, rows
from daemon.journal.event_codec import body_of
from daemon.journal.reader import Reader
from daemon.journal.reading_table import ReadingTable, Step
from daemon.journal.trend.filling import Filling, Work
from daemon.journal.trend.trend import SOURCES, Question
from daemon.journal.trend.trend_file import TrendFile, trend_path, trend_view
from daemon.journal.writer import EVENT, Writer
from daemon.mixing.probe.quality import TESTS
from daemon.page.response import json_response
from daemon.page.sources import Sources
from daemon.page.trend.endpoints import USUAL_POINTS, read_trend
from daemon.page.view import DisplaySettings, ReservoirView, StationView

GOAL_MS = 200.0
START = datetime(2030, 1, 1, tzinfo=UTC)
ORIGIN = ("mix-1", "ct-1", "boot-1", "")
OWN = ("mix-1", "", "boot-1", "")
TESTS_PASSED = dict.fromkeys(TESTS, Flag.PASS)
DAY_S = 86_400
ROUNDS = 7
STEPS = 100
SPIKE_EVERY = 50_021
SILENT_EVERY, SILENT = 700_001, 2_400
"""A silence of forty minutes about each eighth day."""
FORECAST_EVERY_S = 60
SPANS = (
    ("ten minutes", timedelta(minutes=10)),
    ("an hour", timedelta(hours=1)),
    ("six hours", timedelta(hours=6)),
    ("a day", timedelta(days=1)),
    ("a week", timedelta(days=7)),
    ("a month", timedelta(days=30)),
    ("a year", timedelta(days=365)),
)
BATCH: tuple[tuple[int, Kind, dict[str, JSON]], ...] = (
    (0, Kind.PHASE, {"from": "idle", "to": "blank"}),
    (600, Kind.PHASE, {"from": "blank", "to": "dissolving"}),
    (4200, Kind.STABILISED, {"salinity": 34.0, "salinity_u": 0.05}),
    (4201, Kind.PHASE, {"from": "dissolving", "to": "verifying"}),
    (4300, Kind.PHASE, {"from": "verifying", "to": "ready", "why": "within tolerance"}),
    (80_000, Kind.BATCH, {"what": "ended", "how": "used", "by": "the keeper of the morning"}),
    (80_001, Kind.PHASE, {"from": "ready", "to": "idle"}),
)


@dataclass(frozen=True)
class Figure:
    """What one span took.

    Attributes:
        span: In words.
        cold_ms: After both files were forgotten.
        warm_ms: The median of some.
        longest_ms: The longest of them.
        cpu_ms: The median of what they took of one core.
        source: What the points are made of.
        points: How many there are.
        rows: Rows of either file that they are made of.
        readings: Readings that those stand for.
        bytes: Of the answer.
    """

    span: str
    cold_ms: float
    warm_ms: float
    longest_ms: float
    cpu_ms: float
    source: str
    points: int
    rows: int
    readings: int
    bytes: int


def write(path: Path, days: int) -> int:
    """Write the journal, past the writer, which would force each turn to the card; return rows."""
    Writer(path).close()
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.execute("PRAGMA synchronous = OFF")
        db.execute("PRAGMA journal_mode = OFF")
        db.execute("BEGIN")
        for number, origin in enumerate((ORIGIN, OWN), start=1):
            db.execute("INSERT INTO origins VALUES (?, ?, ?, ?, ?)", (number, *origin))
        table = ReadingTable()
        for day in range(days):
            for step in _readings(table, day):
                db.execute(*step)
            db.executemany(EVENT, _events(day))
        last = days * (DAY_S + 10_000)
        proof = rows.text_proof(f"{last}", "")
        db.execute("INSERT INTO memory VALUES (1, ?, '', ?)", (last, proof))
        db.execute("COMMIT")
        (count,) = db.execute("SELECT count(*) FROM readings").fetchone()
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.execute("PRAGMA journal_mode = WAL")
    return int(count)


def make_blocks(path: Path) -> None:
    """Make all blocks, as a writer does as it writes."""
    with Writer(path) as writer:
        while writer.within(blocks.make) == blocks.ENTRIES:
            pass


def _readings(table: ReadingTable, day: int) -> Iterator[Step]:
    base = day * (DAY_S + 10_000)
    for second in range(DAY_S):
        whole = day * DAY_S + second
        if whole % SILENT_EVERY < SILENT and whole > SILENT_EVERY:
            continue
        value = 34.0 + 0.0001 * (whole * 7919 % 997) + (0.8 if whole % SPIKE_EVERY == 0 else 0.0)
        if second < 3600:
            value *= max(0, second - 600) / 3000
        at = Instant(START + timedelta(seconds=whole), float(whole), "boot-1")
        warmth = 24.0 + 0.001 * (second % 2000)
        reading = Reading(
            "mix-1", "ct-1", at, 1.5 * value, warmth, value, 0.0512, Flag.PASS, TESTS_PASSED
        )
        yield from table.steps(base + second + 1, 1, ORIGIN, reading)


def _events(day: int) -> Iterator[tuple[Any, ...]]:
    seq = day * (DAY_S + 10_000) + DAY_S
    some = [(s, kind, facts) for s, kind, facts in BATCH]
    some += [
        (s, Kind.FORECAST, {"at": "2030-01-01T08:00:00Z"})
        for s in range(600, 4200, FORECAST_EVERY_S)
    ]
    if day % 5 == 0:
        alarm: dict[str, JSON] = {"name": "probe-silent", "what": "raised", "why": "no reply"}
        some.append((40_000, Kind.ALARM, alarm))
    for second, kind, facts in sorted(some, key=lambda each: each[0]):
        seq += 1
        wall = START + timedelta(days=day, seconds=second)
        at = Instant(wall, float(day * DAY_S + second), "boot-1")
        event = Event("mix-1", at, f"mix-1-{wall:%Y%m%d}-1", body_of(kind, facts))
        yield rows.event_row(seq, 2, OWN, event)


def fill(path: Path) -> tuple[int, float, float, float]:
    """Fill the trend file; return steps, CPU s, the longest step and until a day was there, s."""
    file = TrendFile(trend_path(path))
    filling = Filling(Reader(path), file)
    begin_s, cpu_s = time.monotonic(), time.process_time()
    last = Reader(path).last_seq()
    steps, longest_s, day_s = 0, 0.0, 0.0
    while True:
        step_s = time.monotonic()
        done = filling.step()
        steps += 1
        longest_s = max(longest_s, time.monotonic() - step_s)
        reach = file.reach()
        if not day_s and reach is not None and reach.low <= last - DAY_S - 10_000:
            day_s = time.monotonic() - begin_s
        if done is Work.DONE and steps > 2:
            break
    file.close()
    return steps, time.process_time() - cpu_s, longest_s, day_s


def forget(path: Path) -> None:
    """Have the system forget what it keeps of both files in memory."""
    for each in (path, trend_path(path)):
        descriptor = os.open(each, os.O_RDONLY)
        os.fsync(descriptor)
        os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
        os.close(descriptor)


def measure(path: Path, days: int, span: timedelta, words: str) -> Figure:
    """Ask for a span as the page does."""
    settings = DisplaySettings("mix-1", 34.0, 1.0)
    end = START + timedelta(days=days)
    view = StationView("wing", end, [ReservoirView(settings, None, None)])
    sources = Sources(lambda: view, path, (settings,))
    question = Question("mix-1", rows.to_ms(end - span), rows.to_ms(end), USUAL_POINTS)

    def once() -> tuple[float, float, int]:
        begin_s, cpu_s = time.perf_counter(), time.process_time()
        body = json_response(read_trend(sources, view, question)).body
        took_s = time.perf_counter() - begin_s
        return 1000 * took_s, 1000 * (time.process_time() - cpu_s), len(body)

    forget(path)
    cold_ms, _, size = once()
    rounds = [once() for _ in range(ROUNDS)]
    warm = [took_ms for took_ms, _, _ in rounds]
    cpu_ms = median(each for _, each, _ in rounds)
    trend = sources.trend.read(question)
    readings = sum(each.readings for each in trend.points)
    expected = _count(path, trend.since_ms, trend.until_ms)
    assert readings == expected, (words, readings, expected)
    touched = readings
    if trend.source != "readings":
        (width,) = [each for each, words in SOURCES.items() if words == trend.source]
        with trend_view(trend_path(path)) as stored:
            touched = len(stored.buckets(width, "mix-1", trend.since_ms, trend.until_ms))
    return Figure(
        words, cold_ms, median(warm), max(warm), cpu_ms, trend.source, len(trend.points), touched,
        readings, size,
    )  # fmt: skip


def _count(path: Path, since_ms: int, until_ms: int) -> int:
    with closing(sqlite3.connect(path)) as db:
        (found,) = db.execute(
            "SELECT count(*) FROM readings WHERE time_ms >= ? AND time_ms < ?", (since_ms, until_ms)
        ).fetchone()
    return int(found)


def keep_up(folder: Path) -> float:
    """Return the CPU of a step that keeps up with four reservoirs at a reading a second, s."""
    path, spent_s = folder / "live.db", 0.0
    with Writer(path, 1e12) as writer, closing(TrendFile(trend_path(path))) as file:
        filling = Filling(Reader(path), file)
        for step in range(STEPS):
            seconds = range(20 * step, 20 * step + 20)
            writer.append([_of(n, second) for second in seconds for n in range(4)], float(step))
            began_s = time.process_time()
            filling.step()
            spent_s += time.process_time() - began_s
    return spent_s / STEPS


def _of(reservoir: int, second: int) -> Reading:
    at = Instant(START + timedelta(seconds=second), float(second), "boot-1")
    return Reading(f"mix-{reservoir}", "ct-1", at, 51.2, 24.5, 33.9, 0.05, Flag.PASS, TESTS_PASSED)


def run(folder: Path, days: int) -> list[Figure]:
    """Measure all of it, and print what comes."""
    path = folder / "journal.db"
    if not path.exists():
        begin_s = time.monotonic()
        count = write(path, days)
        took_s = time.monotonic() - begin_s
        _say(f"written: {count:,} readings in {took_s:.0f} s, {count / took_s:,.0f} a second")
        make_blocks(path)
    if not trend_path(path).exists():
        steps, cpu_s, longest_s, day_s = fill(path)
        last = Reader(path).last_seq()
        _say(
            f"filled: {steps:,} steps, {cpu_s:.0f} s of CPU, {last / cpu_s:,.0f} numbers a second,"
            f" longest step {1000 * longest_s:.0f} ms, the newest day after {day_s:.1f} s"
        )
    with tempfile.TemporaryDirectory() as live:
        step_s = keep_up(Path(live))
    _say(f"keeping up with 4 reservoirs at 1 Hz: {1000 * step_s:.1f} ms of CPU each 20 s")
    sizes = [each.stat().st_size / 1e6 for each in (path, trend_path(path))]
    _say(f"sizes: journal {sizes[0]:,.1f} MB, trend {sizes[1]:,.1f} MB")
    figures = []
    for words, span in SPANS:
        if span <= timedelta(days=days):
            figures.append(measure(path, days, span, words))
            _say(_line(figures[-1]))
    return figures


def _say(line: str) -> None:
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


def _line(each: Figure) -> str:
    verdict = "within" if max(each.cold_ms, each.longest_ms) <= GOAL_MS else "BEYOND"
    return (
        f"{each.span:12}  cold {each.cold_ms:6.1f} ms, warm {each.warm_ms:6.1f} ms (longest"
        f" {each.longest_ms:6.1f}, CPU {each.cpu_ms:5.1f}), {verdict} {GOAL_MS:.0f} ms;"
        f" {each.points} points of {each.rows:,} rows ({each.source})"
        f" for {each.readings:,} readings, {each.bytes:,} bytes"
    )


def main() -> int:
    """Measure a year, or as many days as wanted."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, default=365)
    parser.add_argument("--at", type=Path, help="a folder for the journal, which stays there")
    options = parser.parse_args()
    if options.at is not None:
        options.at.mkdir(parents=True, exist_ok=True)
        run(options.at, options.days)
        return 0
    with tempfile.TemporaryDirectory() as folder:
        run(Path(folder), options.days)
    return 0


if __name__ == "__main__":
    sys.exit(main())
