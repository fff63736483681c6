"""The ordinary mistakes of calibrating, each named in a sentence with a way on.

A cell constant can be off by a fifth and still be a cell constant.  What lies
further off is a mistake, and mistakes lie at known places: another bottle's
value, a factor of ten or a thousand, the value at 25 °C.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from itertools import pairwise
from statistics import median

from calibration.curves import OutsideTable
from calibration.references import Reference, Value, published, seawater, value_at
from calibration.steadiness import Indication, Rest
from calibration.tables import PUBLISHED

_PLAUSIBLE_LOW, _PLAUSIBLE_HIGH = 0.75, 1.3
_NEAR = math.log(1.3)
_APART = math.log(1.1)
_SOLD_BEHIND, _PRIMARY_BEHIND = 0.02, 0.1
_DRY_MS_CM = 0.05
_WET_PERCENT_OF_SPAN = 1.0
_REFERENCE_C = 25.0
_COMMON_PERCENT_PER_C = 2.0
_TELLING = 0.03
_MATCH = 0.01
_LEAST_WARMING_C = 1.0
_LEAST_PER_C = 0.004
_FOLLOWING_S = 60.0
_BUBBLE_SHARE = 0.05
_COMINGS = 2
_LOCAL_HALF = 7
_BUBBLE_DEPTH = 0.003
_BUBBLE_SIGMAS = 5.0
_BUBBLE_STEPS = 2.5
_SIGMA_OF_MAD = 1.4826


class Mistake(StrEnum):
    """Which one."""

    EXPIRED = "expired"
    WRONG_BOTTLE = "wrong_bottle"
    SWAPPED = "swapped"
    UNITS = "units"
    COMPENSATING = "compensating"
    BUBBLES = "bubbles"
    WARMING = "warming"
    UNSTEADY = "unsteady"
    OUTSIDE_TABLE = "outside_table"


class OnConfirm(StrEnum):
    """What a confirmation does about it."""

    GO_ON = "go_on"
    SWAP = "swap"
    WAIT = "wait"
    NOTHING = "nothing"


@dataclass(frozen=True, slots=True)
class Finding:
    """One mistake.

    Attributes:
        mistake: Which.
        sentence: What is wrong.
        way_on: What can be done.
        on_confirm: What `confirm` does; with `NOTHING` only retry and abort are left.
    """

    mistake: Mistake
    sentence: str
    way_on: str
    on_confirm: OnConfirm


def expired(reference: Reference, today: str) -> Finding | None:
    """Tell a bottle that is past its last day.

    Args:
        reference: With its bottle, or without.
        today: ISO 8601 date.
    """
    last = reference.bottle.last_day() if reference.bottle else None
    if reference.bottle is None or last is None or date.fromisoformat(today) <= last:
        return None
    return Finding(
        Mistake.EXPIRED,
        f"Lot {reference.bottle.lot} of {reference.name} expired on {last.isoformat()}.",
        "Abort and take a fresh bottle, or confirm to use it all the same; the record will say so.",
        OnConfirm.GO_ON,
    )


def at_capture(
    reference: Reference,
    others: Sequence[tuple[int, Reference]],
    indicated_mS_cm: float,
    temperature_C: float,
    span_mS_cm: float,
) -> Finding | None:
    """Tell a value that this reference cannot have given.

    Args:
        reference: What the probe should be in.
        others: Points of the plan still to come, with their numbers.
        indicated_mS_cm: Corrected by the calibration in force.
        temperature_C: Likewise.
        span_mS_cm: Of the instrument.
    """
    if reference.is_zero:
        return _not_dry(reference, indicated_mS_cm, span_mS_cm)
    if not reference.is_solution:
        return None
    try:
        value = value_at(reference, temperature_C)
    except OutsideTable as error:
        way = "Warm or cool the bottle and retry."
        return Finding(Mistake.OUTSIDE_TABLE, f"{error}.", way, OnConfirm.NOTHING)
    ratio = indicated_mS_cm / value.conductivity_mS_cm
    if not _PLAUSIBLE_LOW < ratio < _PLAUSIBLE_HIGH:
        return _unlike(reference, others, indicated_mS_cm, temperature_C, value)
    return _compensated(reference, indicated_mS_cm, temperature_C, value)


def _not_dry(reference: Reference, indicated_mS_cm: float, span_mS_cm: float) -> Finding | None:
    if abs(indicated_mS_cm) <= span_mS_cm * _WET_PERCENT_OF_SPAN / 100.0:
        return None
    return Finding(
        Mistake.WRONG_BOTTLE,
        f"The value is {indicated_mS_cm:.3f} mS/cm where {reference.name} should give about 0:"
        " the cell is wet or stands in a solution.",
        "Rinse it with purified water, dry it if it is to hang in air, and retry.",
        OnConfirm.NOTHING,
    )


_UNITS = (
    (1000.0, "the instrument speaks µS/cm and is read as mS/cm"),
    (0.001, "the instrument speaks mS/cm and is read as µS/cm"),
    (0.1, "the instrument speaks S/m and is read as mS/cm"),
    (10.0, "the instrument speaks mS/cm and is read as S/m"),
)


def _unlike(
    reference: Reference,
    others: Sequence[tuple[int, Reference]],
    indicated_mS_cm: float,
    temperature_C: float,
    value: Value,
) -> Finding:
    off = _off(reference, indicated_mS_cm, value)
    units = min(_unit_mistakes(off, indicated_mS_cm, value), key=lambda pair: pair[0])
    bottles = sorted(
        _bottles(others, indicated_mS_cm, temperature_C), key=lambda near: near.distance
    )
    if units[0] < _NEAR and (not bottles or units[0] < bottles[0].distance):
        return units[1]
    if bottles:
        return _bottle_mistake(off, bottles)
    if abs(indicated_mS_cm) < _DRY_MS_CM:
        return Finding(
            Mistake.WRONG_BOTTLE,
            f"The value is {indicated_mS_cm:.3f} mS/cm in {reference.name}: the cell is not"
            " immersed, or full of air.",
            "Immerse it beyond its vent holes, tap it, and retry.",
            OnConfirm.NOTHING,
        )
    return Finding(
        Mistake.WRONG_BOTTLE,
        f"{off}, and near no solution known here: this is the wrong bottle or a spoilt one.",
        "Take a fresh bottle and retry.",
        OnConfirm.NOTHING,
    )


def _off(reference: Reference, indicated_mS_cm: float, value: Value) -> str:
    return (
        f"The value is {indicated_mS_cm:.4g} mS/cm where {reference.name} should give"
        f" {value.conductivity_mS_cm:.4g}"
    )


def _distance(one: float, other: float) -> float:
    return abs(math.log(one / other)) if one > 0.0 and other > 0.0 else math.inf


def _unit_mistakes(
    off: str, indicated_mS_cm: float, value: Value
) -> Iterator[tuple[float, Finding]]:
    for times, meaning in _UNITS:
        finding = Finding(
            Mistake.UNITS,
            f"{off}, {times:g} times as much: {meaning}.",
            "Abort, correct the unit of conductivity in the configuration, and start again.",
            OnConfirm.NOTHING,
        )
        yield _distance(indicated_mS_cm, times * value.conductivity_mS_cm), finding


@dataclass(frozen=True, slots=True)
class _Near:
    """A solution that a cell constant could turn into the value shown."""

    distance: float
    name: str
    mS_cm: float
    point: int | None = None


def _bottles(
    others: Sequence[tuple[int, Reference]], indicated_mS_cm: float, temperature_C: float
) -> Iterator[_Near]:
    solutions = (*(published(key) for key in PUBLISHED), seawater(35.0))
    for point, other in (*others, *((None, each) for each in solutions)):
        value = _value_or_none(other, temperature_C)
        if value is None or _distance(indicated_mS_cm, value) > _NEAR:
            continue
        # Where several fit, a bottle of the plan is likelier, and a sold one than a primary.
        behind = _SOLD_BEHIND if _is_sold(other) else _PRIMARY_BEHIND
        distance = _distance(indicated_mS_cm, value) + (behind if point is None else 0.0)
        yield _Near(distance, other.name, value, point)


def _bottle_mistake(off: str, bottles: Sequence[_Near]) -> Finding:
    first = bottles[0]
    if first.point is not None:
        return Finding(
            Mistake.SWAPPED,
            f"{off}: it looks like {first.name} of point {first.point}; the points are swapped.",
            "Confirm to take the two points in the other order, or change the bottle and retry.",
            OnConfirm.SWAP,
        )
    also = [each.name for each in bottles if _distance(each.mS_cm, first.mS_cm) > _APART]
    names = " or ".join([first.name, *also[:1]])
    return Finding(
        Mistake.WRONG_BOTTLE,
        f"{off}: it looks like {names}; this is the wrong bottle.",
        "Rinse the probe, take the right bottle, and retry.",
        OnConfirm.NOTHING,
    )


def _is_sold(reference: Reference) -> bool:
    return not reference.name.endswith(("primary standard", "demal"))


def _value_or_none(reference: Reference, temperature_C: float) -> float | None:
    if not reference.is_solution:
        return None
    try:
        return value_at(reference, temperature_C).conductivity_mS_cm
    except OutsideTable:
        return None


def _compensated(
    reference: Reference, indicated_mS_cm: float, temperature_C: float, value: Value
) -> Finding | None:
    rule = 1.0 + _COMMON_PERCENT_PER_C / 100.0 * (temperature_C - _REFERENCE_C)
    ratio = indicated_mS_cm / value.conductivity_mS_cm
    telling = abs(rule - 1.0) > _TELLING and abs(ratio - 1.0) > _TELLING
    if not telling or abs(ratio * rule - 1.0) > _MATCH:
        return None
    return Finding(
        Mistake.COMPENSATING,
        f"{_off(reference, indicated_mS_cm, value)} at {temperature_C:.1f} °C, which is its value"
        " at 25 °C: the instrument is still compensating for temperature.",
        "Switch compensation off in the instrument, or state it in the probe's configuration, and"
        " retry. If it is off for certain, confirm to go on: the difference is then taken as cell"
        " constant.",
        OnConfirm.GO_ON,
    )


def compensating_while_warming(
    reference: Reference, readings: Sequence[Indication]
) -> Finding | None:
    """Tell an instrument whose conductivity stays while the temperature moves.

    Args:
        reference: A solution; others have nothing to tell.
        readings: Good ones since the probe was immersed.  The first minute is
            left out: the thermometer follows more slowly than the cell.
    """
    readings = [each for each in readings if each.t_s - readings[0].t_s >= _FOLLOWING_S]
    if not reference.is_solution or not readings:
        return None
    temperatures = [reading.temperature_C for reading in readings]
    values = [reading.conductivity_mS_cm for reading in readings]
    span = max(temperatures) - min(temperatures)
    middle = math.fsum(values) / len(values)
    if span < _LEAST_WARMING_C or middle <= 0.0:
        return None
    mean_t = math.fsum(temperatures) / len(temperatures)
    square = math.fsum((t - mean_t) ** 2 for t in temperatures)
    cross = math.fsum(
        (t - mean_t) * (v - middle) for t, v in zip(temperatures, values, strict=True)
    )
    if abs(cross / square / middle) > _LEAST_PER_C:
        return None
    return Finding(
        Mistake.COMPENSATING,
        f"The temperature moved by {span:.1f} °C and the conductivity did not follow: the"
        " instrument is still compensating for temperature.",
        "Switch compensation off in the instrument, or state it in the probe's configuration, and"
        " retry.",
        OnConfirm.NOTHING,
    )


def bubbles(
    reference: Reference, readings: Sequence[Indication], resolution_mS_cm: float = 0.0
) -> Finding | None:
    """Tell noise that only ever goes down, as bubbles in the cell make it.

    Args:
        reference: A solution; air holds no bubbles.
        readings: Good ones of the window.
        resolution_mS_cm: Step of the instrument; a dip of a step or two is none.
    """
    values = [reading.conductivity_mS_cm for reading in readings]
    off = _off_local_level(values)
    if not off or not reference.is_solution:
        return None
    middle = median(values)
    sigma = _SIGMA_OF_MAD * median(each for each in off if each >= 0.0)
    deep = max(
        _BUBBLE_SIGMAS * sigma, _BUBBLE_DEPTH * abs(middle), _BUBBLE_STEPS * resolution_mS_cm
    )
    dips = [each < -deep for each in off]
    low, high = sum(dips), sum(each > deep for each in off)
    comings = sum(dip and not before for before, dip in pairwise((False, *dips)))
    if comings < _COMINGS or low < _BUBBLE_SHARE * len(off) or high * 4 > low:
        return None
    return Finding(
        Mistake.BUBBLES,
        f"{low} of {len(off)} values drop by more than {100 * deep / abs(middle):.1f} % and none"
        " rises as far: there are bubbles in the cell.",
        "Tilt the probe, tap it until the bubbles leave, and retry; confirm to wait for another"
        " while.",
        OnConfirm.WAIT,
    )


def _off_local_level(values: Sequence[float]) -> list[float]:
    """Return each value less the median around it, which a steady rise leaves at nothing."""
    half = min(_LOCAL_HALF, len(values) // 4)
    return [
        values[i] - median(values[i - half : i + half + 1]) for i in range(half, len(values) - half)
    ]


def overdue(rest: Rest | None) -> Finding:
    """Say why a point is not steady when its time is up.

    Args:
        rest: Where it stands; None where too few good readings came.
    """
    if rest is None:
        return Finding(
            Mistake.UNSTEADY,
            "Too few good readings came to take this point.",
            "Look at the probe's cable and its faults, and retry; confirm to wait longer.",
            OnConfirm.WAIT,
        )
    if not rest.temperature_steady:
        per_minute = 60.0 * rest.temperature.slope_per_s
        verb = "warming" if per_minute > 0.0 else "cooling"
        return Finding(
            Mistake.WARMING,
            f"The solution is still {verb}, by {abs(per_minute):.2f} °C a minute.",
            "Let the closed bottle stand in the room, or float it in the reservoir, until both are"
            " alike, and retry; confirm to wait longer.",
            OnConfirm.WAIT,
        )
    return Finding(
        Mistake.UNSTEADY,
        "The temperature rests and the conductivity does not: it could still move by"
        f" {rest.conductivity.reach:.3g} mS/cm a minute.",
        "Stir, look for a fouled cell or a bottle being diluted by drips, and retry; confirm to"
        " wait longer.",
        OnConfirm.WAIT,
    )
