"""The routines whose probes are out of the water, as the address about them answers."""

from __future__ import annotations

from itertools import pairwise
from statistics import median
from typing import TYPE_CHECKING

from calibration.settling import Settling, SettlingPoint, SettlingState
from calibration.steadiness import HORIZON_S, LEAST_S, TEMPERATURE_C, allowed_mS_cm
from daemon.page.calibrations.answers import RoutineAnswer, SavedAnswer, SettlingAnswer

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import datetime

    from daemon.page.calibrations.calibration_log import CourseNow
    from daemon.page.calibrations.routine_course import RoutineCourse
    from daemon.page.view import DisplaySettings

COLUMNS = ("waited_s", "conductivity_mS_cm", "low_mS_cm", "high_mS_cm", "temperature_C")
SILENT_SHARE = 0.25
"""Of the age at which a reading is old: here a person stands and waits; our own choice."""
SILENT_PERIODS = 3.0
"""Or so many times what lies between its readings, where that is longer; our own choice."""


def routine_answers(
    routines: Mapping[tuple[str, str], CourseNow],
    settings: Sequence[DisplaySettings],
    at: datetime,
) -> tuple[RoutineAnswer, ...]:
    """Return every routine, in the order of the configuration.

    Args:
        routines: By reservoir and name of the probe.
        settings: Of the reservoirs.
        at: Now.
    """
    order = [each.name for each in settings]
    old_after_s = {each.name: each.old_after_s for each in settings}
    keys = sorted(
        routines, key=lambda key: (order.index(key[0]) if key[0] in order else len(order), key)
    )
    return tuple(
        routine_answer(*key, routines[key], at, old_after_s.get(key[0], 60.0)) for key in keys
    )


def routine_answer(
    reservoir: str, probe: str, now: CourseNow, at: datetime, old_after_s: float
) -> RoutineAnswer:
    """Return one routine.

    Args:
        reservoir: Of the probe.
        probe: Its name.
        now: The routine as it is.
        at: The present moment, UTC.
        old_after_s: Age at which a reading of the reservoir is old, s.
    """
    course = now.course
    began, said, saved = course.began, course.said, course.saved
    return RoutineAnswer(
        reservoir,
        probe,
        began.id,
        "calibration" if began.adjusts else "check",
        began.by,
        course.began_at,
        course.runs,
        course.step,
        said.turn,
        said.text,
        said.way_on,
        said.on_confirm,
        said.point,
        len(began.references),
        said.reference,
        began.references,
        began.thermometer,
        began.as_left,
        began.repair,
        began.before,
        tuple(course.captured[number] for number in sorted(course.captured)),
        _settling(now, at, old_after_s),
        course.judged,
        None if saved is None else SavedAnswer(saved.id, saved.text),
        course.outcome,
        tuple(course.remarks),
    )


def _settling(now: CourseNow, at: datetime, old_after_s: float) -> SettlingAnswer | None:
    course: RoutineCourse = now.course
    if not course.settle_seq:
        return None
    settling = now.settling or Settling(course.began.resolution_mS_cm)
    state, silence_s = settling.state, _silence_s(now, settling, at)
    if silence_s > _silent_after_s(settling, old_after_s) and state is not SettlingState.WAITING:
        state = SettlingState.SILENT
    last = settling.points[-1] if settling.points else SettlingPoint(0.0, None, None)
    at_rest = None if state is SettlingState.SILENT else settling.at_rest
    return SettlingAnswer(
        str(state),
        _words(state, settling, silence_s),
        settling.waited_s,
        course.began.settle_limit_s,
        last.conductivity_mS_cm,
        last.temperature_C,
        None if at_rest is None else at_rest.conductivity.reach,
        None
        if at_rest is None
        else allowed_mS_cm(at_rest.conductivity.mean, course.began.resolution_mS_cm),
        None if at_rest is None else at_rest.temperature.reach,
        TEMPERATURE_C,
        COLUMNS,
        tuple(_row(each) for each in settling.points),
    )


def _silence_s(now: CourseNow, settling: Settling, at: datetime) -> float:
    """Return how long no value has come, s; a clock that jumped in either direction is silence."""
    if now.last_reading_at is None:
        return 0.0
    came = [each.waited_s for each in settling.points if each.conductivity_mS_cm is not None]
    missing_s = settling.waited_s - (came[-1] if came else 0.0)
    return abs((at - now.last_reading_at).total_seconds()) + missing_s


def _silent_after_s(settling: Settling, old_after_s: float) -> float:
    times = [each.waited_s for each in settling.points[-20:]]
    between = [b - a for a, b in pairwise(times)]
    return max(SILENT_SHARE * old_after_s, SILENT_PERIODS * median(between) if between else 0.0)


def _words(state: SettlingState, settling: Settling, silence_s: float) -> str:
    at_rest = settling.at_rest
    if state is SettlingState.WAITING:
        return "No value has come from the probe yet."
    if state is SettlingState.SILENT:
        return f"No value for {silence_s:.0f} s; nothing is taken meanwhile."
    if state is SettlingState.SETTLED:
        return "What it may still move is within what is allowed."
    if at_rest is None:
        return f"It takes {LEAST_S:.0f} s of values at least."
    moving = []
    if not at_rest.conductivity_steady:
        share = 100.0 * at_rest.conductivity.reach / max(abs(at_rest.conductivity.mean), 1e-3)
        moving.append(f"conductivity by {share:.2f} %")
    if not at_rest.temperature_steady:
        moving.append(f"temperature by {at_rest.temperature.reach:.2f} °C")
    return f"Within {HORIZON_S:.0f} s it may still move: {', '.join(moving)}."


def _row(point: SettlingPoint) -> tuple[float | None, ...]:
    return (
        round(point.waited_s, 1),
        _rounded(point.conductivity_mS_cm),
        _rounded(point.low_mS_cm),
        _rounded(point.high_mS_cm),
        None if point.temperature_C is None else round(point.temperature_C, 3),
    )


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 4)
