"""One part of the year in a process of its own, by whichever version of the service it finds.

    python -m tests.campaigns.year.half JOURNAL FIRST LAST PERIOD KEPT SEED OUT

It goes on with the journal, measures what a month has made of memory, descriptors, size and
queries, and leaves what it did as JSON.
"""

from __future__ import annotations

import json
import os
import sys
import time
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from daemon.journal.reader import Reader
from daemon.journal.rows import to_ms
from daemon.journal.selection import Selection, readings, summaries
from daemon.journal.trend.filling import Filling, Work
from daemon.journal.trend.trend import Question
from daemon.journal.trend.trend_file import TrendFile, trend_path
from daemon.page.response import json_response
from daemon.page.sources import Sources
from daemon.page.trend.endpoints import USUAL_POINTS, read_trend
from daemon.page.view import DisplaySettings, ReservoirView, StationView
from tests.campaigns.year.keeping import Keeping
from tests.campaigns.year.kept import objects_kept
from tests.campaigns.year.tank import MONTH_WEEKS, WEEK_DAYS, Tank, a_tank, week

START = datetime(2026, 3, 2, tzinfo=UTC)
ROUNDS = 3
DAY = timedelta(days=1)


def live(
    keeping: Keeping,
    weeks: range,
    seed: int,
    say: Callable[[str], object],
    week_days: float = WEEK_DAYS,
) -> dict[str, Any]:
    """Let weeks pass; return what happened and each month's figures.

    Args:
        keeping: Of the journal.
        weeks: Their numbers.
        seed: Of all that is left to chance.
        say: Is given each month's figures as a line.
        week_days: Of each week.
    """
    began = START + week_days * weeks.start * DAY
    tank = a_tank(keeping, began, seed, boot=1 + 1000 * weeks.start)
    trend, months = TrendFile(trend_path(keeping.path)), []
    filling = Filling(Reader(keeping.path), trend)
    for number in weeks:
        week(tank, number - weeks.start, week_days)
        if (number + 1) % MONTH_WEEKS == 0 or number == weeks.stop - 1:
            keeping.flush(tank.station, tank.now())
            months.append(_month(number + 1, tank, filling, keeping.kept_days))
            say(json.dumps(months[-1]) + "\n")
    trend.close()
    keeping.close(tank.station, tank.now())
    days = {
        day.isoformat(): [each.readings, each.with_salinity, each.salinity]
        for day, each in keeping.days.items()
    }
    return {
        "days": days,
        "events": keeping.events,
        "months": months,
        "happened": tank.happened,
        "alarms": tank.alarms_raised,
    }


def _month(weeks: int, tank: Tank, filling: Filling, kept_days: float) -> dict[str, float]:
    assert tank.keeping is not None
    path, now = tank.keeping.path, tank.now().wall
    filling.step()  # sees what is new, and the steps after it fill that in
    while filling.step() is not Work.DONE:
        pass
    reader = Reader(path)
    new, old = now.replace(hour=0, minute=0) - DAY, now - (kept_days + 3.0) * DAY
    fresh = Selection(None, new, new + DAY)
    summed = Selection(None, old, old + DAY)
    last = reader.last_seq()
    with reader.transaction() as db:
        counts = [
            db.execute(f"SELECT count(*) FROM {table}").fetchone()[0]  # noqa: S608 - constants
            for table in ("readings", "summaries")
        ]
    return {
        "weeks": weeks,
        "resident_mib": round(_resident_mib(), 2),
        "python_blocks": sys.getallocatedblocks(),
        "station_objects": objects_kept(tank.station),
        "descriptors": len([*Path("/proc/self/fd").iterdir()]),
        "journal_mb": round(path.stat().st_size / 1e6, 2),
        "trend_mb": round(trend_path(path).stat().st_size / 1e6, 2),
        "readings": counts[0],
        "summaries": counts[1],
        "day_ms": _ms(lambda: [len(some) for some in readings(reader, fresh, last)]),
        "old_day_ms": _ms(lambda: [len(some) for some in summaries(reader, summed)]),
        "year_ms": _ms(lambda: _course(path, now)),
        "cpu_s": round(time.process_time(), 1),
    }


def _course(path: Path, now: datetime) -> int:
    settings = DisplaySettings("mix-1", 34.0, 1.0)
    view = StationView("wing", now, [ReservoirView(settings, None, None)])
    sources = Sources(lambda: view, path, (settings,))
    question = Question("mix-1", to_ms(now - 365 * DAY), to_ms(now), USUAL_POINTS)
    return len(json_response(read_trend(sources, view, question)).body)


def _ms(work: Callable[[], object]) -> float:
    """CPU of the quickest of some rounds, ms."""
    took = []
    for _ in range(ROUNDS):
        began_s = time.process_time()
        work()
        took.append(1000.0 * (time.process_time() - began_s))
    return round(min(took), 2)


def _resident_mib() -> float:
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 2**20


def main(words: Sequence[str]) -> None:
    """Live a part of the year."""
    journal, first, last, period_s, kept_days, seed, out = words
    keeping = Keeping(Path(journal), float(period_s), float(kept_days))
    said = live(keeping, range(int(first), int(last)), int(seed), sys.stdout.write)
    Path(out).write_text(json.dumps(said), encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
