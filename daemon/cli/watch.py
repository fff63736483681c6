"""The live view behind `brinewright status --watch`: events above, the snapshot below."""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta, tzinfo
from typing import TYPE_CHECKING

from rich.console import Console
from rich.live import Live
from rich.text import Text

from daemon.cli.output import NOT_SO, OK, UNAVAILABLE, table
from daemon.cli.status_age import ShownAge
from daemon.entries import Event, Kind, Phase, Reading
from daemon.journal.errors import JournalError
from daemon.local_time import SECOND, local_iso
from daemon.mixing.cautions import INDEPENDENT_CHECK
from daemon.mixing.probe.quality import CALIBRATING
from daemon.mixing.probe.status_signal import Health
from daemon.mixing.station.chance_words import chance_words, without_chance
from daemon.mixing.station.question_words import question_rows
from daemon.mixing.station.snapshot import ReservoirSnapshot
from daemon.mixing.station.steady import expected_now, steady_since
from daemon.printable import printable, printable_lines
from daemon.records.event_text import alarm_names, listing

if TYPE_CHECKING:
    from collections.abc import Callable

    from daemon.journal.reader import Reader

POLL_S = 0.25
COLUMNS = 60
TREND_S = 3600.0
SILENT_S = 20.0
BLOCKS = " ▁▂▃▄▅▆▇█"
PLAIN = " .:-=+*#@"


@dataclass(slots=True)
class WatchState:
    """What the view has read from the journal so far."""

    seq: int
    salinities: list[tuple[datetime, float]] = field(default_factory=list)
    snapshot: ReservoirSnapshot | None = None
    last_s: float = 0.0


@dataclass(frozen=True, slots=True)
class WatchOptions:
    """What to watch, and for how long.

    Attributes:
        reservoir: Name.
        limits: Lower and upper limit of release, ppt.
        until_ready: End when the batch is released.
        within_min: Minutes of the station's time after which it ends; None for no end.
        zone: Of the station; times are written in it.
        silent_s: A probe may say nothing for so long, s; `SILENT_S` at least.
        age: Gives the age of a state.
        cause: Gives why nothing is written.
        named: What a command must name as the reservoir; empty where there is no other.
    """

    reservoir: str
    limits: tuple[float, float]
    until_ready: bool
    within_min: float | None
    zone: tzinfo = UTC
    silent_s: float = SILENT_S
    age: Callable[[ReservoirSnapshot], ShownAge] = lambda _: ShownAge()
    cause: Callable[[], str] = lambda: "is 'brinewright run' running?"
    named: str = ""


def watch(reader: Reader, options: WatchOptions) -> int:
    """Show what happens until Ctrl-C, for some time, or until the batch is released.

    Returns:
        The exit code: `OK` when released or when the time is over, `NOT_SO` when it was not
        released in time, `UNAVAILABLE` when nothing more is written.
    """
    console = Console(highlight=False, width=None if sys.stdout.isatty() else 80)
    state = WatchState(_start(reader), last_s=time.monotonic())
    began: datetime | None = None
    with Live(console=console, auto_refresh=False, transient=False) as live:
        while True:
            for event in _read_new(reader, state, options.reservoir):
                console.print(Text(listing(event, options.zone, "%H:%M:%S")))
            if console.is_terminal:
                live.update(Text(printable_lines(view(state, options, console))), refresh=True)
            now = _time(state)
            began = began or now
            code, why = _end_of(state, options, began, now)
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


def _read_new(reader: Reader, state: WatchState, reservoir: str) -> list[Event]:
    try:
        stored = reader.after(state.seq, 2000)
        snapshot = reader.snapshots().get(reservoir)
    except JournalError:
        return []
    state.snapshot = snapshot or state.snapshot
    events = []
    for item in stored:
        state.seq, state.last_s = item.seq, time.monotonic()
        entry = item.entry
        if entry.reservoir not in ("", reservoir):
            continue
        if isinstance(entry, Reading):
            if entry.salinity is not None and CALIBRATING not in entry.tests:
                state.salinities.append((entry.at.wall, entry.salinity))
        elif entry.kind is Kind.FORECAST:
            continue  # the snapshot has it
        else:
            events.append(entry)
    return events


def _end_of(
    state: WatchState, options: WatchOptions, began: datetime | None, now: datetime | None
) -> tuple[int | None, str]:
    snapshot = state.snapshot
    phase = None if snapshot is None else snapshot.phase
    longest_s = max(SILENT_S, options.silent_s)
    if time.monotonic() - state.last_s > longest_s:
        return UNAVAILABLE, _silence(snapshot, options, longest_s)
    if snapshot is None:
        return None, ""
    # What was released when measuring ended may be other water now.
    if options.until_ready and phase is Phase.READY and not options.age(snapshot).why:
        caution = f"{INDEPENDENT_CHECK[:1].upper()}{INDEPENDENT_CHECK[1:]}."
        return OK, f"{snapshot.batch} is released. {caution}"
    longest_min = options.within_min
    if longest_min is None or not began or not now or now - began <= timedelta(minutes=longest_min):
        return None, ""
    if not options.until_ready:
        return OK, f"{longest_min:g} min have passed; the phase is {_words(snapshot.phase)}."
    why = snapshot.advice or "salinity has not settled"
    return NOT_SO, f"not ready within {longest_min:g} min; it is {phase}: {why}"


def _silence(snapshot: ReservoirSnapshot | None, options: WatchOptions, longest_s: float) -> str:
    age = ShownAge() if snapshot is None else options.age(snapshot)
    if age.why:
        return f"{options.reservoir}: {age.why}"
    return f"nothing was written for {longest_s:g} s; {options.cause()}"


def _words(phase: Phase) -> str:
    return str(phase).replace("_", " ")


def _time(state: WatchState) -> datetime | None:
    if state.snapshot is None:
        return None
    return datetime.fromisoformat(state.snapshot.time).astimezone(UTC)


def view(state: WatchState, options: WatchOptions, console: Console) -> str:
    """Return the lines below the events: the reservoir now, a figure a row."""
    snapshot = state.snapshot
    if snapshot is None:
        return "waiting for the first reading"
    rule = "─" if console.encoding.startswith("utf") else "-"
    low, high = options.limits
    age = options.age(snapshot)
    phase = f"last known: {_words(snapshot.phase)}" if age.why else _words(snapshot.phase)
    rows = [
        (
            options.reservoir,
            f"{phase}, {local_iso(snapshot.time, options.zone, SECOND)}",
        ),
        ("not of now", age.why),
        *question_rows(snapshot, lambda moment: _clock_time(moment, options.zone), options.named),
        ("released", INDEPENDENT_CHECK if snapshot.phase is Phase.READY and not age.why else ""),
        ("salinity", _salinity(snapshot)),
        ("target", f"{(low + high) / 2:g} ppt ({low:g} to {high:g})"),
        ("temperature", _temperature(snapshot)),
        ("mixing over", chance_words(without_chance(snapshot) if age.why else snapshot)),
        ("", "") if age.why else _steady(snapshot, options.zone),
        ("advice", snapshot.advice or "none"),
        ("alarms", alarm_names(snapshot)),
        ("last hour", _trend(state, console)),
    ]
    return "\n".join([rule * 79, table(row for row in rows if row[1])])


def _salinity(snapshot: ReservoirSnapshot) -> str:
    value, u = snapshot.salinity, snapshot.salinity_u
    if value is None or u is None:
        return "no value"
    return f"{value:.2f} ± {2 * u:.2f} ppt (k=2)"


def _temperature(snapshot: ReservoirSnapshot) -> str:
    if snapshot.probe_health == Health.FUNCTION_CHECK:
        return "the probe is out of the water for calibration"
    value = snapshot.temperature_C
    return "no value" if value is None else f"{value:.2f} °C"


def _steady(snapshot: ReservoirSnapshot, zone: tzinfo) -> tuple[str, str]:
    """Return since when the water is steady, or when its release is expected."""
    since = steady_since(snapshot)
    if since is not None:
        return "steady since", _clock_time(since, zone)
    return expected_now(snapshot, lambda moment: _clock_time(moment, zone))


def _clock_time(text: str, zone: tzinfo) -> str:
    return local_iso(text, zone, "%H:%M")


def _trend(state: WatchState, console: Console) -> str:
    """Draw the last hour, one column a minute, from nothing to the highest."""
    if not state.salinities:
        return ""
    last = state.salinities[-1][0]
    state.salinities = [
        each for each in state.salinities if last - each[0] <= timedelta(seconds=TREND_S)
    ]
    columns: dict[int, float] = {}
    for wall, salinity in state.salinities:
        age_s = (last - wall).total_seconds()
        columns[COLUMNS - 1 - int(age_s / TREND_S * COLUMNS)] = salinity
    top = max(*columns.values(), 1.0)
    signs = BLOCKS if console.encoding.startswith("utf") else PLAIN
    return "".join(
        signs[min(8, max(0, round(columns[number] / top * 8)))] if number in columns else " "
        for number in range(COLUMNS)
    ).lstrip()
