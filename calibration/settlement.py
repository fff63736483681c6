"""What settles a calibration that is held: a solution of another lot that chooses."""

from __future__ import annotations

from dataclasses import dataclass

from calibration.found import found
from calibration.record import CalibrationRecord, CheckRecord
from calibration.spread import lots_of


@dataclass(frozen=True, slots=True)
class Settled:
    """What a check says of a calibration that is held.

    Attributes:
        in_force: Whether the held one comes into force; else it is dropped.
        why: As a sentence.
        en: The larger E_n number of the check, under the one that it contradicts.
    """

    in_force: bool
    why: str
    en: float


def settle(waiting: CalibrationRecord, check: CheckRecord) -> Settled | None:
    """Say whether a check in a solution of another lot settles a calibration that is held.

    Args:
        waiting: The calibration that is held.
        check: Made after it, under the calibration in force.

    Returns:
        None where it settles nothing: a lot that the held one rests on proves only that the
        reading repeats, and a check that agrees with both or with neither does not choose.
    """
    rests_on = lots_of(waiting.budget)
    now, then = [], []
    for point in check.captures:
        bottle = point.reference.bottle
        if not point.reference.is_solution or bottle is None or bottle.lot in rests_on:
            continue
        seen = found(waiting.calibration, point, waiting.instrument, waiting.budget)
        if seen is not None:
            then.append(seen)
            now += [each for each in check.found if each.number == point.number]
    agrees = [all(each.agrees for each in side) for side in (then, now)]
    if not then or agrees[0] == agrees[1]:
        return None
    en = max(abs(each.en) for each in (now if agrees[0] else then))
    lots = ", ".join({p.reference.bottle.lot for p in check.captures if p.reference.bottle})
    if agrees[0]:
        why = f"Check {check.id} in lot {lots} agrees with it and not with the one before."
    else:
        why = (
            f"Check {check.id} in lot {lots} agrees with the calibration in force and not with it."
        )
    return Settled(agrees[0], why, en)
