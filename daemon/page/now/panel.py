"""One reservoir as the page of the present shows it: plain values that a template lays out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from daemon.entries import Flag
from daemon.journal.freshness import span
from daemon.local_time import CLOCK, local, local_iso
from daemon.mixing.station.chance_words import chance_words
from daemon.mixing.station.last_reading import off_scale
from daemon.mixing.station.part_words import part_words
from daemon.mixing.station.question_words import answer_command
from daemon.mixing.station.steady import FACT, expected_now, steady_since
from daemon.page.blocks import short
from daemon.page.healthz import staleness
from daemon.page.labels import health_words, quality_words, sentence
from daemon.page.now.alarm_part import AlarmPart, PanelWords, alarm_parts
from daemon.page.now.bridge_gauge import BridgeGauge, bridge_gauge
from daemon.page.now.buttons import MakePresses, no_presses, of_all, of_question
from daemon.page.now.chance_bar import ChanceBar, chance_bar
from daemon.page.now.glance import Glance, TimeWords, glances, use_by
from daemon.page.now.next_act import STEP_END, NextAct, next_act, remedy
from daemon.page.now.state_sign import StateSign, has_value, state_sign

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import tzinfo

    from daemon.mixing.station.snapshot import ReservoirSnapshot
    from daemon.page.acts.forms import Press
    from daemon.page.view import AlarmView, ReservoirView, StationView


@dataclass(frozen=True, slots=True)
class SalinityFigure:
    """The salinity as it stands largest on the screen.

    Attributes:
        value: The figure; empty where there is none.
        spread: Its expanded uncertainty; empty where it is not known.
        before: What is to be known before it is read: that it is old, or not usable.
        after: That it is off the scale; empty where it is not.
    """

    value: str
    spread: str = ""
    before: str = ""
    after: str = ""


@dataclass(frozen=True, slots=True)
class Panel:
    """A reservoir.

    Attributes:
        key: What its parts are called by, whatever its name holds.
        name: Its name, as it is shown.
        sign: Its state.
        notice: What is wrong with the age of its reading, or why the batch is suspended; empty
            where nothing is.
        salinity: None without a reading.
        gauge: Where that lies; None where nobody knows it now.
        gauge_tone: How the reading is drawn: "inside", "outside" or, while salt goes into
            solution and it has to be outside, "mixing".
        glances: What is read in passing.
        chance: That mixing is over; None while nothing is decided, or without a fresh reading.
        act: What to do next.
        answer_with: The command that answers the question that waits; empty for none.
        answers: The same as buttons.
        alarms: Its own.
        acknowledge_all: What acknowledges all of them; empty for fewer than two.
        places: Where on the page answers to its commands are shown.
        rows: Details, labels and values.
        old: Whether its reading is not of now.
    """

    key: str
    name: str
    sign: StateSign
    notice: str
    salinity: SalinityFigure | None
    gauge: BridgeGauge | None
    gauge_tone: str
    glances: tuple[Glance, ...]
    chance: ChanceBar | None
    act: NextAct
    answer_with: str
    answers: tuple[Press, ...]
    alarms: tuple[AlarmPart, ...]
    acknowledge_all: tuple[Press, ...]
    places: tuple[str, ...]
    rows: tuple[tuple[str, str], ...]
    old: bool


def panel(
    number: int,
    reservoir: ReservoirView,
    view: StationView,
    presses: MakePresses = no_presses,
) -> Panel:
    """Return a reservoir as the page shows it.

    Args:
        number: Its place in the configuration.
        reservoir: As the journal has it.
        view: Of the whole station.
        presses: Gives buttons.
    """
    snapshot, name = reservoir.snapshot, reservoir.settings.name
    old = staleness(reservoir)
    times = TimeWords(view.at, view.zone)
    drawn = None if old or snapshot is None else _gauge(reservoir, snapshot)
    own = [each for each in view.alarms if each.reservoir == name]
    act = _next_act(reservoir, own, times, view.trouble)
    return Panel(
        f"reservoir-{number}",
        short(reservoir.settings.title),
        state_sign(reservoir, view.trouble),
        "" if view.trouble else _notice(reservoir),
        None if snapshot is None else _salinity(snapshot, old=bool(old)),
        drawn,
        _gauge_tone(drawn, snapshot),
        glances(reservoir, times),
        None if old or snapshot is None else chance_bar(snapshot),
        act,
        _answer_with(reservoir),
        of_question(reservoir, presses),
        alarm_parts(own, view.zone, presses, _panel_words(act, snapshot)),
        of_all(own, name, presses),
        (f"{name}-question", f"{name}-alarms"),
        () if snapshot is None else _rows(reservoir, snapshot, view.zone),
        bool(old),
    )


def _panel_words(act: NextAct, snapshot: ReservoirSnapshot | None) -> PanelWords:
    """Return what the panel says before its alarms."""
    if snapshot is None:
        return PanelWords(act.sentence)
    return PanelWords(act.sentence, snapshot.advice or "", question=snapshot.question is not None)


def _notice(reservoir: ReservoirView) -> str:
    snapshot = reservoir.snapshot
    if staleness(reservoir):
        found = reservoir.freshness.sentence(reservoir.cause)
        return sentence(found.partition(STEP_END)[0])
    if snapshot is None or snapshot.question is None:
        return ""
    why, who = snapshot.question.why, snapshot.question.answered_by
    said = f" {who} says that the probe is out of the water." if who else ""
    return short(f"{sentence(why)}{said}")


def _answer_with(reservoir: ReservoirView) -> str:
    snapshot = reservoir.snapshot
    if snapshot is None or snapshot.question is None or not reservoir.fresh:
        return ""
    return answer_command(snapshot.question, reservoir.settings.name)


def _next_act(
    reservoir: ReservoirView, alarms: Sequence[AlarmView], times: TimeWords, trouble: str
) -> NextAct:
    if trouble:
        return NextAct(short(sentence(remedy(trouble))))
    found = next_act(reservoir, alarms, times.moment)
    return NextAct(short(found.sentence), tuple(map(short, found.steps)), found.waits)


def _salinity(snapshot: ReservoirSnapshot, *, old: bool) -> SalinityFigure:
    """Return the salinity in large type, behind what is to be known before it is read."""
    value, u = snapshot.salinity, snapshot.salinity_u
    notes = {
        "last known": old,
        "where the probe is now": snapshot.question is not None,
        "not usable": snapshot.flag == Flag.FAIL,
    }
    before = [words for words, applies in notes.items() if applies]
    if value is None:
        return SalinityFigure("", before=", ".join(before))
    spread = "" if u is None else f"± {2.0 * u:.2f}"
    return SalinityFigure(f"{value:.2f}", spread, ", ".join(before), off_scale(value).strip(", "))


def _gauge(reservoir: ReservoirView, snapshot: ReservoirSnapshot) -> BridgeGauge | None:
    """Return the drawing; none of a reading that cannot be used, or may be of other water."""
    if not has_value(snapshot) or snapshot.question is not None:
        return None
    settings = reservoir.settings
    expanded_u = None if snapshot.salinity_u is None else 2.0 * snapshot.salinity_u
    return bridge_gauge(snapshot.salinity, expanded_u, settings.target_ppt, settings.tolerance_ppt)


def _gauge_tone(gauge: BridgeGauge | None, snapshot: ReservoirSnapshot | None) -> str:
    if gauge is None or snapshot is None or gauge.inside:
        return "inside"
    return "outside" if snapshot.phase in FACT else "mixing"


def _rows(
    reservoir: ReservoirView, snapshot: ReservoirSnapshot, zone: tzinfo
) -> tuple[tuple[str, str], ...]:
    """Return the details, those that are known."""
    settings = reservoir.settings
    low, high = (settings.target_ppt + sign * settings.tolerance_ppt for sign in (-1, 1))
    rows = (
        ("Target", f"{settings.target_ppt:g} ppt, tolerance interval {low:g} to {high:g} ppt"),
        ("Salinity", _whole_salinity(snapshot)),
        ("Specific gravity", _figure(snapshot.specific_gravity, "{:.4f} (25/25 °C)")),
        ("Temperature", _figure(snapshot.temperature_C, "{:.2f} °C")),
        ("Conductivity", _figure(snapshot.conductivity_mS_cm, "{:.2f} mS/cm, as indicated")),
        ("Quality", quality_words(snapshot.flag, snapshot.quality_figures)),
        ("Probe", "; ".join(_probe(*each, snapshot) for each in reservoir.probes.items())),
        ("Batch", snapshot.batch or ""),
        ("Mixing over", "" if staleness(reservoir) else chance_words(snapshot)),
        ("Advice", snapshot.advice or ""),
        ("Released", _ago(None if snapshot.age_h is None else snapshot.age_h * 3600.0)),
        ("Use by", _use_by(reservoir, snapshot, zone)),
        _expected(reservoir, snapshot, zone),
        ("Steady since", local_iso(steady_since(snapshot), zone)),
        ("Start by", local_iso(snapshot.start_by, zone)),
        ("Last reading", _ago(reservoir.age_s)),
    )
    return tuple((label, short(value)) for label, value in rows if value)


def _whole_salinity(snapshot: ReservoirSnapshot) -> str:
    value, u = snapshot.salinity, snapshot.salinity_u
    if value is None:
        return "no value"
    spread = "± not known" if u is None else f"± {2.0 * u:.2f}"
    return f"{value:.2f} {spread} ppt (practical salinity, k = 2){off_scale(value)}"


def _probe(name: str, health: str, snapshot: ReservoirSnapshot) -> str:
    """Return what is to be known of one probe, and of one of several what it reads."""
    one = snapshot.probes.get(name)
    return f"{name}: {health_words(health)}" + ("" if one is None else f", {part_words(one)}")


def _use_by(reservoir: ReservoirView, snapshot: ReservoirSnapshot, zone: tzinfo) -> str:
    at = use_by(snapshot, reservoir.settings)
    try:
        return "" if at is None else local(at, zone)
    except (ValueError, OverflowError):  # at the ends of the calendar
        return ""


def _expected(
    reservoir: ReservoirView, snapshot: ReservoirSnapshot, zone: tzinfo
) -> tuple[str, str]:
    """Return what is expected of the water; nothing of what was forecast before readings ended."""
    if staleness(reservoir):
        return "", ""
    label, text = expected_now(snapshot, lambda moment: local_iso(moment, zone, CLOCK))
    return label.capitalize(), text


def _ago(duration_s: float | None) -> str:
    return "" if duration_s is None else f"{span(max(0.0, duration_s))} ago"


def _figure(value: float | None, shape: str) -> str:
    return "" if value is None else shape.format(value)
