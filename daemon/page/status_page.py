"""The status page: one look as HTML, without scripts and without anything from elsewhere.

Nothing is told by colour alone, and every text from elsewhere is escaped.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo
from functools import cache
from typing import TYPE_CHECKING

from daemon.entries import Flag, Phase
from daemon.html.environment import environment
from daemon.local_time import SECOND, local, local_iso
from daemon.mixing.station.last_reading import off_scale
from daemon.mixing.station.snapshot import ReservoirSnapshot
from daemon.mixing.station.steady import FACT as STEADY
from daemon.mixing.station.steady import expected_steady, steady_since
from daemon.page.gauge import Gauge, gauge
from daemon.page.healthz import span, staleness
from daemon.page.labels import alarm_words, health_words, phase_words, quality_words
from daemon.page.view import Expected, Present, Seen, Shown

if TYPE_CHECKING:
    from jinja2 import Environment, Template

AGAIN_S = 10
"""How often a browser loads the page again, s."""
LONGEST = 1000
"""Characters of any one text that are shown; advice with its steps and cautions is some 600."""


@dataclass(frozen=True, slots=True)
class Notice:
    """A sentence that is shown before the rest.

    Attributes:
        head: In a word or two.
        text: The sentence.
        next_look: Where a browser goes next by itself; empty where it stays.
        after_s: When it goes there, s.
    """

    head: str
    text: str
    next_look: str = ""
    after_s: int = AGAIN_S


@dataclass(frozen=True, slots=True)
class PhaseLine:
    """The phase in words, and whether the water is outside its limits or past its use-by."""

    text: str
    outside: bool


@dataclass(frozen=True, slots=True)
class AlarmBlock:
    """An alarm as it is shown.

    Attributes:
        name: In words.
        announced: Whether it is raised and neither shelved nor suppressed nor out of service.
        details: Priority, state, by whom, until when and why, in a line.
        why: The reason it was raised for.
        do: What to do.
    """

    name: str
    announced: bool
    details: str
    why: str
    do: str


@dataclass(frozen=True, slots=True)
class ReservoirBlock:
    """A reservoir as it is shown; without a reading only its name, notice and alarms.

    Attributes:
        name: Its name.
        notice: What is wrong with the age of its reading; None where nothing is.
        alarms: Its own.
        phase: In words.
        salinity: As it is shown large; empty without a reading.
        more: What belongs to the salinity.
        fresh: Whether it is of now.
        gauge: Where it lies about the tolerance interval; None where that is not known.
        outside: Whether steady water is outside; while salt dissolves it has to be.
        rows: Labels and values.
    """

    name: str
    notice: Notice | None
    alarms: list[AlarmBlock]
    phase: PhaseLine | None = None
    salinity: str = ""
    more: str = ""
    fresh: bool = True
    gauge: Gauge | None = None
    outside: bool = False
    rows: tuple[tuple[str, str], ...] = ()


def status_page(present: Present, notice: Notice | None = None, *, acts: bool = False) -> str:
    """Return the whole page.

    Args:
        present: What there is to show.
        notice: What came of a command; None where none was sent.
        acts: Whether commands are taken.
    """
    again = f"{notice.after_s}; url={notice.next_look}" if notice and notice.next_look else AGAIN_S
    zone = present.zone
    return template("status.html").render(
        refresh=again,
        title=_title(present),
        station=present.station,
        commands=acts,
        notices=[each for each in (notice, trouble_notice(present)) if each],
        alarms=[alarm_block(each, zone) for each in present.alarms if not each.reservoir],
        reservoirs=[_reservoir(each, present) for each in present.reservoirs],
        failing=[
            short(f"{each.name} is {each.waiting} entries behind: {each.error}")
            for each in present.followers
            if each.error
        ],
        at=local(present.at, zone, SECOND),
        again_s=AGAIN_S,
    )


def template(name: str) -> Template:
    """Return a template of the page by its name."""
    return _environment().get_template(name)


def trouble_notice(present: Present) -> Notice | None:
    """Return why the journal cannot be read; None where it can."""
    if not present.trouble:
        return None
    return Notice("The journal cannot be read", short(present.trouble))


def phase_line(seen: Seen, *, fresh: bool) -> PhaseLine:
    """Return the phase; whether the water may be used is not known without a fresh reading."""
    phase = None if seen.snapshot is None else seen.snapshot.phase
    words = short(phase_words(phase))
    if fresh:
        return PhaseLine(words, phase in (Phase.OFF_TARGET, Phase.STALE))
    return PhaseLine(f"Last known: {words.partition(':')[0]}", outside=False)


def alarm_block(alarm: Shown, zone: tzinfo) -> AlarmBlock:
    """Return an alarm with why it is there and what to do."""
    until = f"until {local_iso(alarm.until, zone)}" if alarm.until else ""
    by = f"by {alarm.who}" if alarm.who else ""
    words = (alarm.priority, alarm_words(alarm.state), by, until, alarm.reason)
    details = ", ".join(word for word in words if word)
    if not alarm.stands and alarm.active:
        details += "; its condition is active"
    return AlarmBlock(
        short(alarm.name.replace("-", " ")),
        alarm.stands,
        short(details),
        short(alarm.why),
        short(alarm.do),
    )


def short(text: str) -> str:
    """Return a text from elsewhere, with a mark where it is too long for any screen."""
    return text if len(text) <= LONGEST else f"{text[: LONGEST - 1]}…"


@cache
def _environment() -> Environment:
    return environment("daemon.page")


def _title(present: Present) -> str:
    count = sum(each.stands for each in present.alarms)
    if present.trouble or any(staleness(each) for each in present.reservoirs):
        return f"No fresh reading - {present.station}"
    if count:
        return f"{count} alarm{'s' if count > 1 else ''} - {present.station}"
    return present.station


def _reservoir(seen: Seen, present: Present) -> ReservoirBlock:
    name, zone = seen.expected.name, present.zone
    alarms = [alarm_block(each, zone) for each in present.alarms if each.reservoir == name]
    old = "" if present.trouble else staleness(seen)
    notice = Notice("No fresh reading", old) if old else None
    snapshot = seen.snapshot
    if snapshot is None:
        return ReservoirBlock(name, notice, alarms)
    salinity, more = _salinity(snapshot)
    strip = None if old else _gauge(snapshot, seen.expected)
    steady = snapshot.phase in STEADY
    return ReservoirBlock(
        name,
        notice,
        alarms,
        phase_line(seen, fresh=not old),
        short(salinity),
        f"last known, {more}" if old and more else more,
        not old,
        strip,
        strip is not None and not strip.inside and steady,
        tuple((label, short(value)) for label, value in _rows(seen, snapshot, zone) if value),
    )


def _gauge(snapshot: ReservoirSnapshot, expected: Expected) -> Gauge | None:
    if snapshot.flag not in (Flag.PASS, Flag.NOT_EVALUATED, Flag.SUSPECT):
        return None
    expanded_u = None if snapshot.salinity_u is None else 2.0 * snapshot.salinity_u
    return gauge(snapshot.salinity, expanded_u, expected.target_ppt, expected.tolerance_ppt)


def _rows(seen: Seen, snapshot: ReservoirSnapshot, zone: tzinfo) -> list[tuple[str, str]]:
    expected = seen.expected
    age = "" if seen.age_s is None else f"{span(max(0.0, seen.age_s))} ago"
    released = snapshot.age_h
    low, high = (expected.target_ppt + sign * expected.tolerance_ppt for sign in (-1, 1))
    probes = (f"{name}: {health_words(health)}" for name, health in seen.probes.items())
    return [
        ("Advice", snapshot.advice or ""),
        ("Target", f"{expected.target_ppt:g} ppt, tolerance interval {low:g} to {high:g} ppt"),
        ("Specific gravity", _figure(snapshot.specific_gravity, "{:.4f} (25/25 °C)")),
        ("Temperature", _figure(snapshot.temperature_C, "{:.2f} °C")),
        ("Conductivity", _figure(snapshot.conductivity_mS_cm, "{:.2f} mS/cm, as indicated")),
        ("Quality", quality_words(snapshot.flag)),
        ("Probe", ", ".join(probes)),
        ("Batch", snapshot.batch or ""),
        ("Released", "" if released is None else f"{span(released * 3600.0)} ago"),
        ("Use by", _use_by(snapshot, expected, zone)),
        ("Expected steady", local_iso(expected_steady(snapshot), zone)),
        ("Steady since", local_iso(steady_since(snapshot), zone)),
        ("Start by", local_iso(snapshot.start_by, zone)),
        ("Last reading", age),
    ]


def _use_by(snapshot: ReservoirSnapshot, expected: Expected, zone: tzinfo) -> str:
    within_h = expected.use_within_h
    if snapshot.age_h is None or within_h is None:
        return ""
    try:
        at = datetime.fromisoformat(snapshot.time)
        return local(at + timedelta(hours=within_h - snapshot.age_h), zone)
    except (ValueError, OverflowError):
        return ""


def _salinity(snapshot: ReservoirSnapshot) -> tuple[str, str]:
    """Return the salinity as it is shown large, and what belongs to it."""
    value, u = snapshot.salinity, snapshot.salinity_u
    if value is None:
        return "no value", ""
    more = "" if u is None else "k = 2"
    shown = f"{value:.2f} ppt" if u is None else f"{value:.2f} ± {2 * u:.2f} ppt"
    shown += off_scale(value)
    if snapshot.flag == Flag.FAIL:
        return f"not usable: {shown}", more
    return shown, more


def _figure(value: float | None, shape: str) -> str:
    return "" if value is None else shape.format(value)
