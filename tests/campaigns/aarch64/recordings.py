"""What is replayed: simulated stories, and a file of rows that nobody should write."""

from __future__ import annotations

import csv
from datetime import datetime, timedelta, timezone
from pathlib import Path

from simulators.records import DEFAULT_START, record
from simulators.scenarios import SCENARIOS
from simulators.stage import Stage

STORIES = ("plain-batch", "short-weight", "heel")
ODD = "odd-rows"
ODD_LINES = (
    "2026-03-02T07:00:00Z,50.70,24.0",
    "{east},50.70,24.0",
    "{bare},50.70,24.0",
    "1969-12-31T23:59:59Z,50.70,24.0",
    "2399-01-01T00:00:00Z,50.70,24.0",
    "yesterday,50.70,24.0",
    "{utc},,24.0",
    "{utc},50.70,",
    "{utc},,",
    "{utc},nan,24.0",
    "{utc},1e999,24.0",
    "{utc},-1e-320,24.0",
    "{utc},5.07e1,2.4e1",
    "{utc},50,70,24,0",
    "{utc}",
    '{utc},"50.70,24.0',
    "{utc},\u0665\u0660.\u0667,24.0",
    "{utc},50.70\x00,24.0",
    "{utc},1000000,24.0",
    "{utc},50.70,-273.15",
    "",
)
"""`{utc}`, `{east}` and `{bare}` are the time of the row above, as it may be written.

Times that go back, have a zone or none; values missing, not finite, denormal, of other signs.
"""
ODD_BYTES = b"2026-03-02T10:00:30Z,50.7\xff0,24.0\r\n"
FIRST_ODD_ROW, ODD_EVERY = 600, 30
PERIOD_S = 2.0


def write(name: str, seed: int, folder: Path) -> Path:
    """Write a recording by name and return its path."""
    path = folder / f"{name}.csv"
    if name != ODD:
        story = SCENARIOS[name]()
        stage = Stage.setting(story, seed)
        hours = story.lasts_s / 3600.0
        rows = record(stage, hours=hours, period_s=PERIOD_S, start=DEFAULT_START)
        with path.open("w", newline="", encoding="utf-8") as out:
            csv.writer(out, lineterminator="\n").writerows(rows)
        return path
    plain = write("plain-batch", seed, folder).read_text(encoding="utf-8").splitlines()
    strange = list(ODD_LINES)
    lines = ["\ufeff" + plain[0]]
    for number, row in enumerate(plain[1:]):
        lines.append(row)
        if number >= FIRST_ODD_ROW and number % ODD_EVERY == 0 and strange:
            lines.append(strange.pop(0).format(**_spellings(row.partition(",")[0])))
    path.write_bytes("\n".join(lines).encode() + b"\n" + ODD_BYTES)
    return path


def _spellings(stamp: str) -> dict[str, str]:
    """Return a time in UTC, in a zone, and without one."""
    utc = datetime.fromisoformat(stamp)
    east = utc.astimezone(timezone(timedelta(hours=2)))
    bare = utc.replace(tzinfo=None)
    return {"utc": stamp, "east": east.isoformat(), "bare": bare.isoformat(" ")}
