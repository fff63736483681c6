"""The guided routine as its page shows it, step by step."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import timedelta, tzinfo

from daemon.local_time import CLOCK, local_iso
from daemon.page.acts.forms import Form, place_of
from daemon.page.acts.offers import Offer
from daemon.page.blocks import phase_line, short
from daemon.page.calibrations.answers import RoutineAnswer, SettlingAnswer
from daemon.page.calibrations.kinds import CALIBRATION_KINDS
from daemon.page.calibrations.routine_offers import (
    begin_offers,
    commands_during,
    commands_to_begin,
    routine_offers,
)
from daemon.page.calibrations.verdict_marks import Mark, settling_mark
from daemon.page.calibrations.verdict_view import VerdictBlock, verdict_block
from daemon.page.healthz import staleness
from daemon.page.labels import alarm_words
from daemon.page.view import ReservoirView, StationView

STEPS = (
    ("rinse", "Rinse"),
    ("immerse", "Into the reference"),
    ("stir", "No bubbles"),
    ("settle", "Let it settle"),
    ("thermometer", "Temperature"),
    ("captured", "Point taken"),
    ("verdict", "Verdict"),
    ("return", "Back in the water"),
)
TITLES = dict(STEPS) | {"held": "Stopped: read this first"}
NEEDED = (
    (
        "A fresh portion of each reference solution, with lot, tolerance and expiry from its label."
        " Two solutions of different lots, and dry air for the zero, tell most."
    ),
    "Purified water to rinse with, a clean beaker for each solution, and paper to dry the cell.",
    (
        "The temperature decides: let solutions stand beside the vessel until they are as warm as"
        " the room, and have a reference thermometer at hand where one is to be read."
    ),
    "Ten minutes or so. The batch waits meanwhile, and readings of the probe do not count.",
)
FORM_AGES = 30.0
"""A form begins a routine for so many times the age at which a reading is old: half an hour."""
MakeForms = Callable[[Iterable[Offer]], list[Form]]
"""Gives the forms of those offers that may be sent."""


@dataclass(frozen=True, slots=True)
class StepLine:
    """One step.

    Attributes:
        word: What it is called.
        state: "done", "now" or "ahead".
    """

    word: str
    state: str


@dataclass(frozen=True, slots=True)
class PointLine:
    """One point.

    Attributes:
        number: Its number.
        reference: Its reference.
        state: "taken", "now" or "ahead".
        figure: What was indicated, and the error as found; empty before it is taken.
    """

    number: int
    reference: str
    state: str
    figure: str


@dataclass(frozen=True, slots=True)
class AlarmLine:
    """An alarm of the reservoir while its probe is at the bench.

    Attributes:
        name: In words.
        details: Priority and state.
        why: Why it was raised.
    """

    name: str
    details: str
    why: str


@dataclass(frozen=True, slots=True)
class RoutineBlock:
    """A routine that runs, or whose probe is still to be put back.

    Attributes:
        kind: "Calibration" or "Check".
        about: Who began it, when, and what it is about.
        title: Of the present step.
        instruction: What to do.
        way_on: How to go on.
        warns: Whether the step is a warning.
        point: Which point it is, in words; empty where it is none.
        steps: All of them.
        points: All of them.
        settling: Of the present point; None while none settles.
        mark: Of that; None likewise.
        verdict: Before anything is saved; None until then.
        outcome: How it ended, as a sentence; empty while it runs.
        remarks: What it said besides.
    """

    kind: str
    about: str
    title: str
    instruction: str
    way_on: str
    warns: bool
    point: str
    steps: tuple[StepLine, ...]
    points: tuple[PointLine, ...]
    settling: SettlingAnswer | None
    mark: Mark | None
    verdict: VerdictBlock | None
    outcome: str
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class RoutineSection:
    """A probe, with its routine where one runs, or what it takes to begin one.

    Attributes:
        key: Of its element on the page.
        title: Reservoir and probe.
        turn: Tells what is shown from what came since; empty while the probe is in its water.
        routine: The routine; None where none runs.
        forms: What can be done over the page.
        commands: Command lines that do so.
        place: Where the answer to its forms is shown.
        batch: What that means for the batch, as labels and texts.
        alarms: Of the reservoir.
    """

    key: str
    title: str
    turn: str
    routine: RoutineBlock | None
    forms: list[Form]
    commands: list[str]
    place: str
    batch: tuple[tuple[str, str], ...] = ()
    alarms: tuple[AlarmLine, ...] = ()


def routine_sections(
    view: StationView, routines: Sequence[RoutineAnswer], forms: MakeForms
) -> list[RoutineSection]:
    """Return every probe, those with a routine first.

    Args:
        view: What there is.
        routines: That run, or whose probes are to be put back.
        forms: Gives the forms of offers.
    """
    running = {(each.reservoir, each.probe): each for each in routines}
    sections: list[RoutineSection] = []
    for reservoir in view.reservoirs:
        name = reservoir.settings.name
        for probe in reservoir.settings.probes:
            routine = running.pop((name, probe.name), None)
            number = len(sections)
            offers = (
                begin_offers(name, probe.name, probe.references, _not_after(reservoir, view))
                if routine is None
                else routine_offers(routine)
            )
            sections.append(
                RoutineSection(
                    f"routine-{number}",
                    short(f"{reservoir.settings.title}, probe {probe.name}"),
                    _turn(routine),
                    None if routine is None else routine_block(routine, view.zone),
                    forms(offers),
                    commands_to_begin(name, probe.name)
                    if routine is None
                    else commands_during(routine),
                    place_of(CALIBRATION_KINDS["calibration-start"], name),
                    () if routine is None else _batch(reservoir, routine, view),
                    () if routine is None else _alarms(view, name),
                )
            )
    return sorted(sections, key=lambda each: each.routine is None)


def _not_after(reservoir: ReservoirView, view: StationView) -> str:
    """Return until when a form that is shown now may begin a routine: the bench is empty later."""
    return (view.at + timedelta(seconds=FORM_AGES * reservoir.settings.old_after_s)).isoformat()


def _turn(routine: RoutineAnswer | None) -> str:
    """Return what changes whenever there is something else to do."""
    return "" if routine is None else f"{routine.turn} {routine.step} {routine.outcome}"


def routine_block(routine: RoutineAnswer, zone: tzinfo) -> RoutineBlock:
    """Return a routine as it is shown.

    Args:
        routine: The routine.
        zone: Of the station.
    """
    settling = routine.settling
    began = local_iso(routine.began_at, zone, CLOCK)
    return RoutineBlock(
        routine.kind_.capitalize(),
        short(f"{routine.id}, begun by {routine.by} at {began}"),
        TITLES.get(routine.step, routine.step),
        short(routine.text),
        short(routine.way_on),
        routine.step == "held",
        _point_words(routine),
        _steps(routine),
        _points(routine),
        settling,
        None if settling is None else settling_mark(settling.state),
        verdict_block(routine) if routine.step == "verdict" else None,
        _outcome(routine),
        tuple(short(each) for each in routine.remarks),
    )


def _point_words(routine: RoutineAnswer) -> str:
    if not routine.point or routine.step in ("verdict", "return"):
        return ""
    if routine.point > routine.points:
        return short(f"As left: {routine.reference}")
    return short(f"Point {routine.point} of {routine.points}: {routine.reference}")


def _steps(routine: RoutineAnswer) -> tuple[StepLine, ...]:
    has_thermometer = bool(routine.thermometer)
    names = [each for each in STEPS if each[0] != "thermometer" or has_thermometer]
    order = [name for name, _ in names]
    step = "settle" if routine.step == "held" else routine.step
    here = order.index(step) if step in order else 0
    return tuple(
        StepLine(word, "done" if at < here else "now" if at == here else "ahead")
        for at, (_, word) in enumerate(names)
    )


def _points(routine: RoutineAnswer) -> tuple[PointLine, ...]:
    captured = {each.point: each for each in routine.captured}
    lines = []
    references = [*routine.references, *([routine.as_left] if routine.as_left else [])]
    for number, reference in enumerate(references, start=1):
        taken = captured.get(number)
        state = "now" if number == routine.point and routine.runs else "ahead"
        figure = ""
        if taken is not None:
            error = "" if taken.error_percent is None else f", {taken.error_percent:+z.2f} % off"
            figure = f"{taken.raw_mS_cm:.3f} mS/cm at {taken.raw_C:.2f} °C as indicated{error}"
            state = "taken"
        name = reference if number <= routine.points else f"As left: {reference}"
        lines.append(PointLine(number, short(name), state, figure))
    return tuple(lines)


def _outcome(routine: RoutineAnswer) -> str:
    if routine.saved is not None:
        return short(routine.saved.text)
    if routine.outcome == "aborted":
        return "It was aborted; nothing is saved."
    if routine.outcome == "lost":
        return "It was lost when measuring ended; nothing of it is saved."
    return ""


def _batch(
    reservoir: ReservoirView, routine: RoutineAnswer, view: StationView
) -> tuple[tuple[str, str], ...]:
    alone = len(reservoir.settings.probes) <= 1
    out = f"at the bench since {local_iso(routine.began_at, view.zone, CLOCK)}"
    rows = [("Probe", short(f"{routine.probe} is {out}; its readings do not count"))]
    snapshot = reservoir.snapshot
    if snapshot is not None and snapshot.batch:
        waits = "waits for its probe" if alone else "goes on with the other probes"
        rows.append(("Batch", short(f"{snapshot.batch} {waits}")))
    if snapshot is not None:
        fresh = not staleness(reservoir) and not view.trouble
        rows.append(("Phase", phase_line(reservoir, fresh=fresh).text))
    return tuple(rows)


def _alarms(view: StationView, reservoir: str) -> tuple[AlarmLine, ...]:
    return tuple(
        AlarmLine(
            short(each.name.replace("-", " ")),
            short(", ".join(filter(None, (each.priority, alarm_words(each.state), each.reason)))),
            short(each.why),
        )
        for each in view.alarms
        if each.reservoir == reservoir
    )
