"""The status page: the view as HTML, without anything from elsewhere.

Nothing is shown by colour alone, and every text from elsewhere is escaped.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo

from daemon.entries import Flag
from daemon.journal.freshness import span
from daemon.local_time import CLOCK, SECOND, local, local_iso
from daemon.mixing.station.last_reading import off_scale
from daemon.mixing.station.part_words import part_words
from daemon.mixing.station.snapshot import ReservoirSnapshot
from daemon.mixing.station.steady import FACT as STEADY
from daemon.mixing.station.steady import expected_now, steady_since
from daemon.page.blocks import (
    AGAIN_S,
    AlarmBlock,
    Banner,
    PhaseLine,
    alarm_block,
    phase_line,
    question_lines,
    short,
    trouble_banner,
)
from daemon.page.frame import Frame, Page, rendered
from daemon.page.healthz import staleness
from daemon.page.labels import health_words, quality_words
from daemon.page.now.chance_bar import ChanceBar, chance_bar
from daemon.page.now.gauge import Gauge, gauge
from daemon.page.view import DisplaySettings, ReservoirView, StationView


@dataclass(frozen=True, slots=True)
class ReservoirBlock:
    """A reservoir as the page shows it; without a reading only its name, notice and alarms.

    Attributes:
        name: Its name.
        notice: What is wrong with the age of its reading; None where nothing is.
        alarms: Its own.
        phase: In words.
        salinity: As it is shown large; empty without a reading.
        more: What belongs to the salinity.
        fresh: Whether that is fresh.
        gauge: Where it lies about the tolerance interval; None where that is not known.
        outside: Whether steady water is outside; while salt dissolves it has to be.
        rows: Labels and values.
        chance: That mixing is over; None while nothing is decided, or without a fresh reading.
    """

    name: str
    notice: Banner | None
    alarms: list[AlarmBlock]
    phase: PhaseLine | None = None
    salinity: str = ""
    more: str = ""
    fresh: bool = True
    gauge: Gauge | None = None
    outside: bool = False
    rows: tuple[tuple[str, str], ...] = ()
    chance: ChanceBar | None = None


def status_page(view: StationView, notice: Banner | None = None, *, acts: bool = False) -> str:
    """Return the whole page.

    Args:
        view: What there is to show.
        notice: What came of a command; None where none was sent.
        acts: Whether the page takes commands.
    """
    moves = f"{notice.after_s}; url={notice.next_url}" if notice and notice.next_url else ""
    zone = view.zone
    return rendered(
        Frame(view.title or view.station, acts),
        Page(
            "status.html",
            _title(view),
            "/",
            styles=("now.css",),
            refresh="" if moves else str(AGAIN_S),
            moves=moves,
        ),
        notices=[each for each in (notice, trouble_banner(view)) if each],
        alarms=[alarm_block(each, zone) for each in view.alarms if not each.reservoir],
        reservoirs=[_reservoir(each, view) for each in view.reservoirs],
        failing=[
            short(f"{each.name} is {each.waiting} entries behind: {each.error}")
            for each in view.followers
            if each.error
        ],
        at=local(view.at, zone, SECOND),
        again_s=AGAIN_S,
    )


def _title(view: StationView) -> str:
    count = sum(each.announced for each in view.alarms)
    if view.trouble or any(staleness(each) for each in view.reservoirs):
        return f"No fresh reading - {view.station}"
    if count:
        return f"{count} alarm{'s' if count > 1 else ''} - {view.station}"
    return view.station


def _reservoir(reservoir: ReservoirView, view: StationView) -> ReservoirBlock:
    name, zone = reservoir.settings.name, view.zone
    alarms = [alarm_block(each, zone) for each in view.alarms if each.reservoir == name]
    old = "" if view.trouble else staleness(reservoir)
    notice = Banner("No fresh reading", old) if old else None
    snapshot = reservoir.snapshot
    if snapshot is None:
        return ReservoirBlock(name, notice, alarms)
    salinity, more = _salinity(snapshot)
    strip = None if old else _gauge(snapshot, reservoir.settings)
    steady = snapshot.phase in STEADY
    return ReservoirBlock(
        name,
        notice,
        alarms,
        phase_line(reservoir, fresh=not old),
        short(salinity),
        f"last known, {more}" if old and more else more,
        not old,
        strip,
        strip is not None and not strip.inside and steady,
        tuple((label, short(value)) for label, value in _rows(reservoir, snapshot, zone) if value),
        None if old else chance_bar(snapshot),
    )


def _gauge(snapshot: ReservoirSnapshot, settings: DisplaySettings) -> Gauge | None:
    if snapshot.flag not in (Flag.PASS, Flag.NOT_EVALUATED, Flag.SUSPECT):
        return None
    expanded_u = None if snapshot.salinity_u is None else 2.0 * snapshot.salinity_u
    return gauge(snapshot.salinity, expanded_u, settings.target_ppt, settings.tolerance_ppt)


def _probe(name: str, health: str, snapshot: ReservoirSnapshot) -> str:
    """Return what is to be known of one probe, and of one of several what it reads."""
    one = snapshot.probes.get(name)
    return f"{name}: {health_words(health)}" + ("" if one is None else f", {part_words(one)}")


def _rows(
    reservoir: ReservoirView, snapshot: ReservoirSnapshot, zone: tzinfo
) -> list[tuple[str, str]]:
    settings = reservoir.settings
    age = "" if reservoir.age_s is None else f"{span(max(0.0, reservoir.age_s))} ago"
    released = snapshot.age_h
    low, high = (settings.target_ppt + sign * settings.tolerance_ppt for sign in (-1, 1))
    probes = (_probe(name, health, snapshot) for name, health in reservoir.probes.items())
    return [
        *question_lines(reservoir, zone),
        ("Advice", snapshot.advice or ""),
        ("Target", f"{settings.target_ppt:g} ppt, tolerance interval {low:g} to {high:g} ppt"),
        ("Specific gravity", _figure(snapshot.specific_gravity, "{:.4f} (25/25 °C)")),
        ("Temperature", _figure(snapshot.temperature_C, "{:.2f} °C")),
        ("Conductivity", _figure(snapshot.conductivity_mS_cm, "{:.2f} mS/cm, as indicated")),
        ("Quality", quality_words(snapshot.flag, snapshot.quality_figures)),
        ("Probe", "; ".join(probes)),
        ("Batch", snapshot.batch or ""),
        ("Released", "" if released is None else f"{span(released * 3600.0)} ago"),
        ("Use by", _use_by(snapshot, settings, zone)),
        _expected(reservoir, snapshot, zone),
        ("Steady since", local_iso(steady_since(snapshot), zone)),
        ("Start by", local_iso(snapshot.start_by, zone)),
        ("Last reading", age),
    ]


def _expected(
    reservoir: ReservoirView, snapshot: ReservoirSnapshot, zone: tzinfo
) -> tuple[str, str]:
    """Return what is expected of the water; nothing of what was forecast before readings ended."""
    if staleness(reservoir):
        return "", ""
    label, text = expected_now(snapshot, lambda moment: local_iso(moment, zone, CLOCK))
    return label.capitalize(), text


def _use_by(snapshot: ReservoirSnapshot, settings: DisplaySettings, zone: tzinfo) -> str:
    within_h = settings.use_within_h
    if snapshot.age_h is None or within_h is None:
        return ""
    try:
        at = datetime.fromisoformat(snapshot.time)
        return local(at + timedelta(hours=within_h - snapshot.age_h), zone)
    except (ValueError, OverflowError):
        return ""


def _salinity(snapshot: ReservoirSnapshot) -> tuple[str, str]:
    """Return the salinity in large type, and its coverage factor."""
    value, u = snapshot.salinity, snapshot.salinity_u
    if value is None:
        return "no value", ""
    more = "" if u is None else "k = 2"
    text = f"{value:.2f} ppt" if u is None else f"{value:.2f} ± {2 * u:.2f} ppt"
    text += off_scale(value)
    if snapshot.flag == Flag.FAIL:
        return f"not usable: {text}", more
    return text, more


def _figure(value: float | None, shape: str) -> str:
    return "" if value is None else shape.format(value)
