"""What a label or a table on a bottle cannot be: looked at when a person writes it down.

Records that are read back are not held to it, so that what was once accepted stays legible.
"""

from __future__ import annotations

from itertools import pairwise

from calibration.curves import ValueTable
from calibration.tables import PUBLISHED

_LABEL_SHARE = 0.03
"""How far a label may be from its solution's published value, as a share: more than any lot is
off; our own choice."""
_LEAST_PERCENT_PER_C, _MOST_PERCENT_PER_C = 1.0, 3.5
"""What a solution of salt in water can rise by, % per °C: KCl 1 mol/kg 1.3 at 48 °C, seawater
3.1 at 0 °C (from `calibration.tables` and PSS-78), with room for other salts; our own choice."""


def check_label(key: str, label_mS_cm: float) -> None:
    """Refuse a label, at 25 °C, that another solution has, or none.

    Raises:
        ValueError: It is not of this solution; the text names the one that it fits.
    """
    values = {each: solution.conductivity_mS_cm(25.0) for each, solution in PUBLISHED.items()}

    def off(each: str, value: float = label_mS_cm) -> float:
        return abs(value / values[each] - 1.0)

    if off(key) <= _LABEL_SHARE:
        return
    text = f"{label_mS_cm:g} mS/cm at 25 °C is not that of {key}, which is {values[key]:.4g}"
    milli = label_mS_cm / 1000.0
    if off(key, milli) <= _LABEL_SHARE:
        raise ValueError(f"{text}; labels are in mS/cm; {label_mS_cm:g} µS/cm is {milli:.4g} mS/cm")
    nearest = min(values, key=off)
    if off(nearest) <= _LABEL_SHARE:
        raise ValueError(f"{text}: {nearest} would fit")
    raise ValueError(
        f"{text}, and no solution known here has it: use 'table' with the bottle's own table"
    )


def check_rise(table: ValueTable) -> None:
    """Refuse a table that no solution of salt in water has.

    Raises:
        ValueError: It does not rise with temperature, or by too little or too much.
    """
    for (low_C, low), (high_C, high) in pairwise(
        zip(table.temperatures_C, table.values, strict=True)
    ):
        text = f"the values in the table of {table.name}"
        if high <= low:
            raise ValueError(
                f"{text} do not rise with temperature: {high:g} mS/cm at {high_C:g} °C after"
                f" {low:g} at {low_C:g} °C; copy them from the bottle again"
            )
        percent = 200.0 * (high - low) / (high + low) / (high_C - low_C)
        if not _LEAST_PERCENT_PER_C <= percent <= _MOST_PERCENT_PER_C:
            raise ValueError(
                f"{text} rise by {percent:.2g} % per °C between {low_C:g} and {high_C:g} °C;"
                f" solutions of salt in water rise by {_LEAST_PERCENT_PER_C:g} to"
                f" {_MOST_PERCENT_PER_C:g} %, so compare each value with the bottle"
            )
