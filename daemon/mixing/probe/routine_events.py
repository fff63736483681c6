"""What a calibration routine says, as the events that tell it to whoever follows."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from calibration.bench import Captured, Judged, Message, Plan, RoutineOutput
from calibration.gum import COVERAGE_K
from calibration.instructions import RoutineStep
from daemon.mixing.events import Happening
from daemon.mixing.probe_events import (
    Adjustment,
    CalibrationJudged,
    ComparedPoint,
    PointCaptured,
    RoutineBegan,
    RoutineSpoke,
)

if TYPE_CHECKING:
    from calibration.as_found import PointError
    from calibration.model import Calibration
    from calibration.references import Reference
    from calibration.routine import Routine
    from daemon.entries import Body


def began(plan: Plan, by: str) -> Happening:
    """Return the event of a routine that begins.

    Args:
        plan: Its task.
        by: Who began it.
    """
    thermometer, as_left = plan.thermometer, plan.as_left
    return of_probe(
        RoutineBegan(
            probe_of(plan.instrument.probe),
            plan.id,
            plan.adjust,
            by,
            tuple(_named(each) for each in plan.references),
            plan.before.id,
            plan.settle_limit_s,
            plan.instrument.resolution_mS_cm,
            "" if thermometer is None else f"{thermometer.name}, ± {thermometer.tolerance_C:g} °C",
            "" if as_left is None else _named(as_left),
            plan.repair,
        )
    )


def routine_events(routine: Routine, output: RoutineOutput, turn: str) -> list[Happening]:
    """Return the events of an output; progress gives none.

    Args:
        routine: What gave it.
        output: Of it.
        turn: Tells what it says now from what it said before.
    """
    name = routine.plan.instrument.probe
    if isinstance(output, Message):
        return [of_probe(_spoken(routine, output, turn))]
    if isinstance(output, Captured):
        point = output.capture
        return [
            of_probe(
                PointCaptured(
                    probe_of(name),
                    point.number,
                    point.reference.name,
                    round(point.raw_mS_cm, 5),
                    round(point.raw_C, 3),
                    None if output.error is None else output.error.error_percent,
                )
            )
        ]
    if isinstance(output, Judged):
        return [of_probe(_judged(name, output, routine.plan))]
    return []


def probe_of(name: str) -> str:
    """Return the probe's own name of that in its records."""
    return name.partition("/")[2]


def of_probe(body: Body) -> Happening:
    """Return what happened as something of the probe, which belongs to no batch."""
    return Happening(body, batch="")


def _named(reference: Reference) -> str:
    bottle = reference.bottle
    return reference.name if bottle is None else f"{reference.name}, lot {bottle.lot}"


def _spoken(routine: Routine, message: Message, turn: str) -> RoutineSpoke:
    finding, taken = message.finding, len(routine.captures)
    at_end = routine.step in (RoutineStep.CAPTURED, RoutineStep.VERDICT)
    return RoutineSpoke(
        probe_of(routine.plan.instrument.probe),
        str(message.step),
        message.text,
        message.way_on,
        "" if finding is None else str(finding.mistake),
        "" if finding is None else str(finding.on_confirm),
        turn,
        taken if at_end else taken + 1,
        _named(routine.reference),
    )


def _judged(name: str, judged: Judged, plan: Plan) -> CalibrationJudged:
    fitted, effect, verdict = judged.fit, judged.effect, judged.verdict
    judgement = CalibrationJudged(
        probe_of(name),
        str(verdict.outcome),
        verdict.reasons,
        tuple(compared(each) for each in judged.as_found),
        tuple(compared(each) for each in judged.as_left),
    )
    if fitted is None or effect is None:
        return judgement
    proposed = Adjustment(
        fitted.factor,
        fitted.u_factor,
        fitted.zero_mS_cm,
        math.sqrt(max(0.0, fitted.covariance[1][1])),
        fitted.temperature_offset_C,
        math.sqrt(max(0.0, fitted.covariance[2][2])),
    )
    before_ppt = effect.expanded_before_ppt
    return replace(
        judgement,
        proposed=proposed,
        before=adjustment_of(plan.before),
        change_ppt=_finite(effect.change_ppt),
        salinity_u=_finite(effect.expanded_ppt / COVERAGE_K),
        salinity_u_before=None if before_ppt is None else _finite(before_ppt / COVERAGE_K),
    )


def adjustment_of(calibration: Calibration) -> Adjustment:
    """Return the correction of a calibration."""
    return Adjustment(
        calibration.factor,
        calibration.u_factor,
        calibration.zero_mS_cm,
        calibration.u_zero_mS_cm,
        calibration.temperature_offset_C,
        calibration.u_offset_C,
    )


def compared(error: PointError) -> ComparedPoint:
    """Return a point beside its reference, of its error."""
    return ComparedPoint(
        error.number,
        error.name,
        error.assigned_mS_cm,
        error.indicated_mS_cm,
        error.error_mS_cm,
        error.error_percent,
        error.u_mS_cm,
        error.agrees,
    )


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
