"""The live view behind `brinewright status --watch`: events above, the picture below."""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from rich.console import Console
from rich.live import Live
from rich.text import Text

from daemon.cli.output import NOT_SO, OK, UNAVAILABLE, table
from daemon.entries import Event, Kind, Phase, Reading
from daemon.journal.errors import JournalError
from daemon.journal.event_codec import facts_of
from daemon.mixing.batch.steady import expected_steady, steady_since
from daemon.mixing.cautions import INDEPENDENT_CHECK
from daemon.mixing.probe.quality import CALIBRATING
from daemon.printable import printable, printable_lines
from daemon.reports.event_text import alarm_names, listing

if TYPE_CHECKING:
    from daemon.entries import JSON
    from daemon.journal.reader import Reader

POLL_S = 0.25
COLUMNS = 60
TREND_S = 3600.0
SILENT_S = 20.0
BLOCKS = " ▁▂▃▄▅▆▇█"
PLAIN = " .:-=+*#@"


@dataclass(slots=True)
class Seen:
    """What the view has taken from the journal so far."""

    seq: int
    salinities: list[tuple[datetime, float]] = field(default_factory=list)
    forecast: dict[str, JSON] = field(default_factory=dict)
    picture: dict[str, JSON] = field(default_factory=dict)
    heard_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Wanted:
    """What to look at, and for how long.

    Attributes:
        reservoir: Name.
        limits: Lower and upper limit of release, ppt.
        until_ready: End when the batch is released.
        within_min: Minutes of the station's time within which that must be.
    """

    reservoir: str
    limits: tuple[float, float]
    until_ready: bool
    within_min: float


def watch(reader: Reader, wanted: Wanted) -> int:
    """Show what happens until Ctrl-C, or until the batch is released.

    Returns:
        The exit code: `OK` when released, `NOT_SO` when it was not in time,
        `UNAVAILABLE` when nothing more is written.
    """
    console = Console(highlight=False, width=None if sys.stdout.isatty() else 80)
    seen = Seen(_start(reader), heard_s=time.monotonic())
    began: datetime | None = None
    with Live(console=console, auto_refresh=False, transient=False) as live:
        while True:
            for event in _take(reader, seen, wanted.reservoir):
                console.print(Text(listing(event, "%H:%M:%S")))
            if console.is_terminal:
                live.update(Text(printable_lines(view(seen, wanted, console))), refresh=True)
            now = _time(seen)
            began = began or now
            code, why = _ended(seen, wanted, began, now)
            if code is not None:
                live.stop()
                console.print(Text(printable(why)))
                return code
            time.sleep(POLL_S)


def _start(reader: Reader) -> int:
    try:
        return reader.last_seq()
    except JournalError:
        return 0


def _take(reader: Reader, seen: Seen, reservoir: str) -> list[Event]:
    try:
        stored = reader.after(seen.seq, 2000)
        picture = reader.pictures().get(reservoir)
    except JournalError:
        return []
    if isinstance(picture, dict):
        seen.picture = picture
    told = []
    for item in stored:
        seen.seq, seen.heard_s = item.seq, time.monotonic()
        entry = item.entry
        if entry.reservoir not in ("", reservoir):
            continue
        if isinstance(entry, Reading):
            if entry.salinity is not None and CALIBRATING not in entry.tests:
                seen.salinities.append((entry.at.wall, entry.salinity))
        elif entry.kind is Kind.FORECAST:
            seen.forecast = dict(facts_of(entry.body))
        else:
            told.append(entry)
    return told


def _ended(
    seen: Seen, wanted: Wanted, began: datetime | None, now: datetime | None
) -> tuple[int | None, str]:
    phase = seen.picture.get("phase")
    if time.monotonic() - seen.heard_s > SILENT_S:
        return UNAVAILABLE, f"nothing was written for {SILENT_S:g} s: is the service running?"
    if not wanted.until_ready:
        return None, ""
    if phase == Phase.READY:
        caution = f"{INDEPENDENT_CHECK[:1].upper()}{INDEPENDENT_CHECK[1:]}."
        return OK, f"{seen.picture.get('batch')} is released. {caution}"
    late = began and now and now - began > timedelta(minutes=wanted.within_min)
    if late:
        why = seen.picture.get("advice") or "salinity has not settled"
        return NOT_SO, f"not ready within {wanted.within_min:g} min; it is {phase}: {why}"
    return None, ""


def _time(seen: Seen) -> datetime | None:
    text = seen.picture.get("time")
    return datetime.fromisoformat(str(text)).astimezone(UTC) if text else None


def view(seen: Seen, wanted: Wanted, console: Console) -> str:
    """Return what stands below the events: the reservoir now, a fact a row."""
    if not seen.picture:
        return "waiting for the first reading"
    rule = "─" if console.encoding.startswith("utf") else "-"
    picture = seen.picture
    low, high = wanted.limits
    rows = [
        (
            wanted.reservoir,
            f"{picture['phase']}, {str(picture['time'])[:19].replace('T', ' ')} UTC",
        ),
        ("released", INDEPENDENT_CHECK if picture["phase"] == Phase.READY else ""),
        ("salinity", _salinity(picture)),
        ("target", f"{(low + high) / 2:g} ppt ({low:g} to {high:g})"),
        ("temperature", _temperature(picture)),
        _steady(seen),
        ("advice", str(picture["advice"] or "none")),
        ("alarms", alarm_names(picture)),
        ("last hour", _trend(seen, console)),
    ]
    return "\n".join([rule * 79, table(row for row in rows if row[1])])


def _salinity(picture: dict[str, JSON]) -> str:
    value, u = picture["salinity"], picture["salinity_u"]
    if not isinstance(value, int | float) or not isinstance(u, int | float):
        return "no value"
    return f"{value:.2f} ± {2 * u:.2f} ppt (k=2)"


def _temperature(picture: dict[str, JSON]) -> str:
    if picture.get("probe_health") == "function check":
        return "the probe is out of the water for calibration"
    value = picture["temperature_C"]
    return "no value" if value is None else f"{value} °C"


def _steady(seen: Seen) -> tuple[str, str]:
    """Return since when the water is steady, or when it is expected to be."""
    since, expected = steady_since(seen.picture), expected_steady(seen.picture)
    if since is not None:
        return "steady since", _clock(since)
    if seen.picture.get("phase") != Phase.DISSOLVING:
        return "expected steady", ""
    if expected is None or not seen.forecast:
        return "expected steady", "no forecast yet"
    high = seen.forecast.get("stable_at_high")
    span = f"{_clock(seen.forecast.get('stable_at_low'))} to {_clock(high) if high else 'later'}"
    at = f"at {seen.forecast['final_salinity']:.1f} ppt"
    return "expected steady", f"{_clock(expected)} ({span}), {at}"


def _clock(text: JSON) -> str:
    return str(text)[11:16]


def _trend(seen: Seen, console: Console) -> str:
    """Draw the last hour, one column a minute, from nothing to the highest."""
    if not seen.salinities:
        return ""
    last = seen.salinities[-1][0]
    seen.salinities = [
        each for each in seen.salinities if last - each[0] <= timedelta(seconds=TREND_S)
    ]
    columns: dict[int, float] = {}
    for wall, salinity in seen.salinities:
        age_s = (last - wall).total_seconds()
        columns[COLUMNS - 1 - int(age_s / TREND_S * COLUMNS)] = salinity
    top = max(*columns.values(), 1.0)
    signs = BLOCKS if console.encoding.startswith("utf") else PLAIN
    return "".join(
        signs[min(8, max(0, round(columns[number] / top * 8)))] if number in columns else " "
        for number in range(COLUMNS)
    ).lstrip()
