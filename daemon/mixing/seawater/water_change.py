"""Water changes on a tank: how many, how much, and how fast animals bear it.

The balance of one change is that of `daemon.mixing.seawater.dosing`.
"""

from __future__ import annotations

from daemon.mixing.seawater.dosing import CannotDose, change, water
from daemon.mixing.seawater.properties import salt_g_kg

CAUTIOUS_PPT_PER_DAY = 1.0
"""How far the salinity of a tank with animals may be moved in a day.

Source: none but common practice, from memory; sensitive animals want less.
"""

LARGE_SHARE = 1.0 / 3.0
"""Share of a tank with animals beyond which a change at once is large.

Source: none but common practice, from memory.
"""

MOST_CHANGES = 1000


def change_to(
    volume_l: float,
    salinity: float,
    target: float,
    new_salinity: float,
    temperature_C: float = 25.0,
) -> float:
    """Return the litres of one water change that takes a tank to the target.

    The inverse of `dosing.change`: its answer, changed, leads to the target.

    Args:
        volume_l: Water in the tank, litres, above 0.
        salinity: Its practical salinity, 0 to 42.
        target: Practical salinity to reach, from `salinity` to `new_salinity`.
        new_salinity: Practical salinity of the new water, 0 to 42.
        temperature_C: °C, -2 to 40.

    Raises:
        OutOfRange: An argument leaves its range.
        CannotDose: No change with this water leads there.
    """
    _check_between(salinity, target, new_salinity)
    if salinity == target:
        return 0.0
    fraction = salt_g_kg(target) / 1000.0
    old, new = (water(volume_l, each, temperature_C) for each in (salinity, new_salinity))
    # Each litre of old water brings this much salt too much, each of the new this much too little.
    too_much = abs(old.salt_g - fraction * old.mass_g)
    too_little = abs(fraction * new.mass_g - new.salt_g)
    return volume_l * too_much / (too_much + too_little)


def changes_to(
    volume_l: float,
    salinity: float,
    target: float,
    changed_l: float,
    new_salinity: float,
    temperature_C: float = 25.0,
) -> list[float]:
    """Return the practical salinity after each of the equal changes that take a tank to the target.

    The last is the first that reaches the target or passes it; the tank is
    filled to the same volume each time.

    Args:
        volume_l: Water in the tank, litres, above 0.
        salinity: Its practical salinity, 0 to 42.
        target: Practical salinity to reach, from `salinity` to below `new_salinity`.
        changed_l: Litres of each change, above 0, up to `volume_l`.
        new_salinity: Practical salinity of the new water, 0 to 42.
        temperature_C: °C, -2 to 40.

    Raises:
        OutOfRange: An argument leaves its range.
        CannotDose: The target is not reached, or only by more than 1000 changes.
    """
    _check_between(salinity, target, new_salinity)
    steps: list[float] = []
    now, rising = salinity, target > salinity
    # Parts of the water come ever nearer to what is poured in, and never there.
    never = target == new_salinity != salinity and changed_l < volume_l
    while now < target if rising else now > target:
        if never or len(steps) == MOST_CHANGES:
            msg = (
                f"{MOST_CHANGES} changes of {changed_l:g} L do not lead to {target:g};"
                " change more at a time, or use water beyond the target"
            )
            raise CannotDose(msg)
        now = change(volume_l, now, changed_l, new_salinity, temperature_C).salinity
        steps.append(now)
    return steps


def _check_between(salinity: float, target: float, new_salinity: float) -> None:
    low, high = min(salinity, new_salinity), max(salinity, new_salinity)
    if not low <= target <= high:
        msg = (
            f"changes with water at {new_salinity:g} lead a tank at {salinity:g} to between"
            f" {low:g} and {high:g}, not to {target:g}; use saltier or fresher water"
        )
        raise CannotDose(msg)
