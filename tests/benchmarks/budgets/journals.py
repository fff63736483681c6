"""What a journal takes: bytes a reading, a replay, a day and a year out of it."""

from __future__ import annotations

import csv
import json
import os
import resource
import sqlite3
import subprocess
import sys
import time
from contextlib import closing, redirect_stdout
from datetime import datetime, timedelta
from itertools import islice
from pathlib import Path

import gsw

from daemon.entries import Sample
from daemon.journal import rows as journal_rows
from daemon.journal.reader import Reader
from daemon.journal.trend.trend import Question
from daemon.journal.writer import Writer
from daemon.mixing.station.station import ReservoirSettings, Station
from daemon.page.response import json_response
from daemon.page.sources import Sources
from daemon.page.trend.endpoints import USUAL_POINTS, read_trend
from daemon.page.view import DisplaySettings, ReservoirView, StationView
from daemon.wire.recording import samples
from simulators.__main__ import main as simulate
from tests.benchmarks import export, trend_year
from tests.benchmarks.budgets.table import Row
from tests.parts.configurations import configuration
from tests.parts.weights import weights

BYTES_AIM = 40.0
REPLAY_AIM_S = 30.0
DAY_AIM_MS, YEAR_AIM_MS = 50.0, 200.0
DAY_S, WEEK_S = 86_400, 604_800
AT_ONCE = 10
SHORT_ROWS = 10
"""Of a recording that takes no longer to replay than the command takes to start."""
FLOOR_TABLE = "CREATE TABLE r (time_ms INTEGER PRIMARY KEY, conductivity REAL, temperature REAL)"


def record(folder: Path, hours: float) -> Path:
    """Write a recording of a batch at 1 Hz."""
    path = folder / "recorded.csv"
    words = ["record", "plain-batch", "--period", "1", "--hours", f"{hours:g}", "--out", str(path)]
    with redirect_stdout(sys.stderr):
        simulate(words)
    return path


def bytes_row(recording: Path, folder: Path, readings: int) -> Row:
    """Return what a reading takes in a journal that the station itself filled.

    The journal is folded into one file, and an empty one's size is taken off.
    """
    path, empty = folder / "bytes.db", folder / "empty.db"
    Writer(empty).close()
    station = Station({"mix-1": ReservoirSettings("mix-1")}, weights())
    count = 0
    bare = sqlite3.connect(folder / "bare.db", isolation_level=None)
    bare.execute(FLOOR_TABLE)
    bare.execute("BEGIN")
    with recording.open(encoding="utf-8") as lines, Writer(path, 1e9) as writer, closing(bare):
        waiting = []
        for item in samples(lines, "mix-1", "ct-1"):
            if not isinstance(item, Sample) or count >= readings:
                continue
            count += 1
            row = (1000 * count, item.conductivity_mS_cm, item.temperature_C)
            bare.execute("INSERT INTO r VALUES (?, ?, ?)", row)
            waiting += station.advance(item)
            if len(waiting) >= AT_ONCE:
                writer.append(waiting, item.at.mono_s)
                waiting = []
        bare.execute("COMMIT")
    spent = (path.stat().st_size - empty.stat().st_size) / count
    floor = f"time and both values alone {(folder / 'bare.db').stat().st_size / count:.0f}"
    return Row.at_most("a reading in the journal", spent, BYTES_AIM, "bytes", floor)


def replay_row(recording: Path, folder: Path) -> Row:
    """Return the CPU of a replay of a week, beside reading the rows and one conversion each.

    The command starts once, however short the recording is by which a week is measured.
    """
    config, short = folder / "replay.toml", folder / "short.csv"
    config.write_text(configuration(), encoding="utf-8")
    with recording.open(encoding="utf-8") as lines:
        short.write_text("".join(islice(lines, SHORT_ROWS)), encoding="utf-8")
    start_s = _cpu_of_replay(short, config)
    spent_s = _cpu_of_replay(recording, config) - start_s
    began_s, count = time.process_time(), 0
    with recording.open(encoding="utf-8", newline="") as lines:
        table = csv.reader(lines)
        next(table)
        for wall, conductivity, temperature in table:
            datetime.fromisoformat(wall)
            float(gsw.SP_from_C(float(conductivity), float(temperature), 0.0))
            count += 1
    bare_s = time.process_time() - began_s
    weeks = WEEK_S / count
    what = f"a week at 1 Hz replayed, CPU (of {count:,} readings)"
    floor = f"its rows read and converted alone {weeks * bare_s:.1f} s"
    return Row.at_most(what, start_s + weeks * spent_s, REPLAY_AIM_S, "s", floor)


def _cpu_of_replay(recording: Path, config: Path) -> float:
    command = [sys.executable, "-m", "daemon.cli.main", "replay", str(recording), "--config"]
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run([*command, str(config)], check=True, stdout=subprocess.DEVNULL, env=os.environ)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime


def query_rows(folder: Path, days: int) -> list[Row]:
    """Return what a day and all of a long journal cost to ask for, which is a year by itself.

    Most of it are minute summaries, and the last quarter readings, as in a service that has run
    for so long; see `tests.benchmarks.export`.
    """
    path, kept = folder / "long.db", days // 4
    shape = export.Shape(days, kept, 10.0)
    export.write(path, shape)
    export.catch_up(path)
    reader = Reader(path)
    day = export.selected(export.START + (days - kept) // 2 * export.DAY)
    found = export.summaries_by_blocks(reader, day)
    first = min(each.first_seq for each in found if each.minute.hour != 3)
    floor = export.best_ms(lambda: reader.summaries(first - 1, len(found)))
    took = export.best_ms(lambda: export.summaries_by_blocks(reader, day))
    bare = f"the same rows by their numbers {floor:.3g} ms"
    what = f"a day of minute summaries out of {days} days, CPU"
    return [Row.at_most(what, took, DAY_AIM_MS, "ms", bare), _trend_row(path, days)]


def _trend_row(path: Path, days: int) -> Row:
    trend_year.fill(path)
    end = export.START + timedelta(days=days)
    settings = DisplaySettings("mix-1", 34.0, 1.0)
    view = StationView("wing", end, [ReservoirView(settings, None, None)])
    sources = Sources(lambda: view, path, (settings,))
    ends = (journal_rows.to_ms(export.START), journal_rows.to_ms(end))
    question = Question("mix-1", *ends, USUAL_POINTS)
    answer = read_trend(sources, view, question)
    took = export.best_ms(lambda: json_response(read_trend(sources, view, question)).body)
    floor = export.best_ms(lambda: json.dumps(answer))
    bare = f"its answer made JSON alone {floor:.3g} ms"
    return Row.at_most(f"the course of {days} days, CPU", took, YEAR_AIM_MS, "ms", bare)
