"""What a comparison with a calibration is worth: causes that both sides share counted once.

Two results that rest on the same lot, table or thermometer err together, so most of that
cancels in their difference.  Causes are told apart by their names in the budget.

Source: JCGM 100:2008, 5.2, equation 13, for correlated inputs named one by one.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from calibration.gum import Matrix, Row, Vector, covariance, quadratic
from calibration.model import Calibration

LOT = "value of lot "
TABLE = "published table of "
SHARED = (LOT, TABLE, "thermometer ", "PSS-78", "salinity stated", "carbon dioxide")
"""How causes begin that are the same thing wherever they are met; others are of one point."""

IN_FORCE: dict[str, Vector] = {
    "factor in force": (1.0, 0.0, 0.0),
    "zero in force": (0.0, 1.0, 0.0),
    "temperature offset in force": (0.0, 0.0, 1.0),
}
"""Causes that are results of the calibration before, with which of its results they are."""


def spread(
    own: Iterable[tuple[str, float]],
    gradient: Vector,
    before: Calibration,
    rows: Sequence[Row] = (),
) -> float:
    """Return the standard uncertainty of own causes plus a function of a calibration's results.

    Args:
        own: Name of each cause and what it contributes, one standard uncertainty of it.
        gradient: How the function grows with factor, zero (mS/cm) and offset (°C) of `before`.
        before: The calibration, with what its uncertainty has grown by since it was made.
        rows: The budget that it was made with; none where there is none.
    """
    pooled: dict[str, float] = {}
    for number, row in enumerate(rows):
        name = row.cause.name if row.cause.name.startswith(SHARED) else f"{number}"
        pooled[name] = pooled.get(name, 0.0) + _dot(gradient, row.contribution)
    alone = []
    for name, part in own:
        if name in pooled and name.startswith(SHARED):
            pooled[name] += part
        else:
            alone.append(part)
    grown = quadratic(gradient, _less(before.covariance, covariance(rows)))
    return math.sqrt(grown + math.fsum(x * x for x in (*pooled.values(), *alone)))


def difference_u(
    new: Vector, rows: Sequence[Row], old: Vector, before: Calibration, old_rows: Sequence[Row]
) -> float:
    """Return the standard uncertainty of a function of two calibrations, newer less older.

    Args:
        new: How the function grows with factor, zero and offset of the newer one.
        rows: Its budget; what it took over from `before` is named there.
        old: The same of the older one.
        before: The older one.
        old_rows: Its budget.
    """
    own, taken = [], [-each for each in old]
    for row in rows:
        per_unit = _dot(new, row.sensitivity)
        which = IN_FORCE.get(row.cause.name)
        if which is None:
            own.append((row.cause.name, per_unit * row.cause.u))
        else:
            taken = [a + per_unit * b for a, b in zip(taken, which, strict=True)]
    return spread(own, (taken[0], taken[1], taken[2]), before, old_rows)


def lots_of(rows: Iterable[Row]) -> tuple[str, ...]:
    """Return the lots of reference solution that a budget rests on."""
    names = (row.cause.name for row in rows)
    return tuple(name.removeprefix(LOT) for name in names if name.startswith(LOT))


def _dot(one: Vector, other: Vector) -> float:
    return math.fsum(a * b for a, b in zip(one, other, strict=True))


def _less(whole: Matrix, part: Matrix) -> Matrix:
    def line(i: int) -> Vector:
        a, b, c = (whole[i][j] - part[i][j] for j in range(3))
        return a, b, c

    return line(0), line(1), line(2)
