"""What settles a calibration that is held: a solution of another lot that chooses."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from calibration.ageing import grown, undisputed
from calibration.as_found import PointError, point_error
from calibration.model import Calibration
from calibration.points import Capture
from calibration.record import CalibrationRecord, CheckRecord, Record
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


def settle(
    waiting: CalibrationRecord, now: CalibrationRecord, check: CheckRecord, before: Sequence[Record]
) -> Settled | None:
    """Say whether a check in a solution of another lot settles a calibration that is held.

    Args:
        waiting: The calibration that is held.
        now: The calibration in force.
        check: Made after it.
        before: Records of the probe before the check, in the order that counts.

    Returns:
        None where it settles nothing: a lot that the held one rests on proves only that the
        reading repeats, and a check that agrees with both or with neither does not choose.
    """
    rests_on = lots_of(waiting.budget)
    points = [
        point
        for point in check.captures
        if point.reference.is_solution
        and point.reference.bottle is not None
        and point.reference.bottle.lot not in rests_on
    ]
    old = _founds(now, points, grown(undisputed(before), now, check.made_at))
    # What it states alone: with what its contradiction adds it would agree with anything.
    alone = replace(waiting, unconfirmed_percent=0.0)
    new = _founds(waiting, points, grown([*undisputed(before), alone], alone, check.made_at))
    agrees_new = all(each.agrees for each in new)
    if not points or agrees_new == all(each.agrees for each in old):
        return None
    en = max(abs(each.en) for each in (old if agrees_new else new))
    lots = ", ".join(sorted({p.reference.bottle.lot for p in points if p.reference.bottle}))
    chosen = (
        "it and not with the one in force" if agrees_new else "the one in force and not with it"
    )
    return Settled(agrees_new, f"Check {check.id} in lot {lots} agrees with {chosen}.", en)


def _founds(
    record: CalibrationRecord, points: Sequence[Capture], aged: Calibration
) -> list[PointError]:
    every = (point_error(aged, point, record.instrument, record.budget) for point in points)
    return [each for each in every if each is not None]
