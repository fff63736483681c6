"""How much sea salt, how much water: the mass balance of a mixing vessel.

Everything is counted in grams and turned into litres only where a person
pours, because masses add up and volumes do not: 10 L of purified water with
salt for 33 make about 10.1 L.  Salt is that of the reference composition.

A salt mix is never all salt: crystal water and moisture weigh too.  Its *yield*
is the grams of salt in one gram of mix.

Sources: masses from TEOS-10 densities at reference salinity (see
`daemon.mixing.seawater.properties`); the balance itself is conservation of salt and mass.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from daemon.errors import InputError
from daemon.mixing.seawater.properties import (
    MAX_SALINITY,
    REFERENCE_G_PER_KG_PER_SALINITY,
    OutOfRange,
    density_kg_m3,
    salt_g_kg,
)

COMMON_YIELD = 0.881
"""Grams of salt per gram of mix where it has not been measured.

Source: none but common practice: 390 g of mix in 10 L of purified water give
33.  Mixes differ by several per cent; learn it from a batch with `yield_of`.
"""

MIN_YIELD = 0.5
MAX_VOLUME_L = 100_000.0
ROOMY = 2.0
"""A vessel of twice the water change leaves room to stir and to correct.

Source: none but common practice.
"""

MASS_U_SHARE = 0.005
"""Standard uncertainty of a mass of mix, as a share: a kitchen scale; our own choice, no source."""
VOLUME_U_SHARE = 0.01
"""Standard uncertainty of a volume read from a mark, as a share; our own choice, no source."""


class CannotDose(InputError):  # noqa: N818 - its name says what is the matter
    """No addition gives what was asked for; the text says why and what would."""


@dataclass(frozen=True, slots=True)
class Water:
    """Some water, described by what does not change when it is poured together.

    Attributes:
        mass_g: All of it, g.
        salt_g: Reference-composition salt in it, g.
    """

    mass_g: float
    salt_g: float

    def __add__(self, other: Water) -> Water:
        """Pour two waters together."""
        return Water(self.mass_g + other.mass_g, self.salt_g + other.salt_g)

    @property
    def salinity(self) -> float:
        """Practical salinity; not bounded, so that the caller may judge it."""
        if self.mass_g <= 0.0:
            return 0.0
        return 1000.0 * self.salt_g / self.mass_g / REFERENCE_G_PER_KG_PER_SALINITY

    def volume_l(self, temperature_C: float) -> float:
        """Return its volume, litres.

        Raises:
            OutOfRange: It is saltier than 80 or the temperature leaves -2 to 40 °C.
        """
        return self.mass_g / density_kg_m3(_rounded_in(self.salinity), temperature_C)


@dataclass(frozen=True, slots=True)
class Dose:
    """What to put into a vessel, and what comes of it.

    Attributes:
        salt_g: Mix to weigh, g, as it comes from the bag.
        purified_water_l: Purified water to pour, litres.
        salinity: Practical salinity afterwards, fully dissolved and mixed.
        final_volume_l: Water in the vessel afterwards, litres.
        final_mass_kg: Its mass, kg, without the vessel.
    """

    salt_g: float
    purified_water_l: float
    salinity: float
    final_volume_l: float
    final_mass_kg: float


def water(volume_l: float, salinity: float, temperature_C: float) -> Water:
    """Return the masses in a volume of water.

    Args:
        volume_l: Litres, 0 to 100 000.
        salinity: Practical salinity, 0 to 80; the scale ends at 42.
        temperature_C: Of the water, °C, -2 to 40.

    Raises:
        OutOfRange: An argument leaves its range.
    """
    if not 0.0 <= volume_l <= MAX_VOLUME_L:
        msg = f"a volume of {volume_l:g} L is outside 0 to {MAX_VOLUME_L:g} L"
        raise OutOfRange(msg)
    mass_g = volume_l * density_kg_m3(salinity, temperature_C)
    return Water(mass_g, mass_g * salt_g_kg(salinity) / 1000.0)


def plan(
    volume_l: float,
    target: float,
    mix_yield: float = COMMON_YIELD,
    temperature_C: float = 25.0,
    heel_volume_l: float = 0.0,
    heel_salinity: float = 0.0,
) -> Dose:
    """Return the dose that makes a batch of the target salinity.

    Args:
        volume_l: Water in the vessel before the salt goes in, litres: the heel
            left from the last batch and the purified water poured onto it.
            With no heel, the purified water alone.
        target: Practical salinity to reach, 0 to 42.
        mix_yield: Grams of salt per gram of mix, 0.5 to 1.
        temperature_C: Of the water when it is measured out, °C, -2 to 40.
        heel_volume_l: Litres left from the last batch, up to `volume_l`.
        heel_salinity: Practical salinity of the heel, 0 to 42.

    Raises:
        OutOfRange: An argument leaves its range.
        CannotDose: The heel alone makes the water saltier than the target.
    """
    if not volume_l > 0.0:
        msg = f"a volume of {volume_l:g} L is nothing to salt; give more than 0 L"
        raise OutOfRange(msg)
    if heel_volume_l > volume_l:
        msg = (
            f"a heel of {heel_volume_l:g} L is more than the {volume_l:g} L"
            " that are to be in the vessel before the salt"
        )
        raise OutOfRange(msg)
    heel = water(heel_volume_l, heel_salinity, temperature_C)
    poured_l = volume_l - heel_volume_l
    before = heel + water(poured_l, 0.0, temperature_C)
    salt_g = _mix_to_reach(before, target, mix_yield)
    if salt_g < 0.0:
        msg = (
            f"{heel_volume_l:g} L of heel at {heel_salinity:g} in {volume_l:g} L make"
            f" {before.salinity:.2f} without any salt, above the target {target:g};"
            " keep less heel or pour more purified water"
        )
        raise CannotDose(msg)
    return _dose(_with_mix(before, salt_g, mix_yield), salt_g, poured_l, temperature_C)


def correct(
    volume_l: float,
    salinity: float,
    target: float,
    mix_yield: float = COMMON_YIELD,
    temperature_C: float = 25.0,
) -> Dose:
    """Return the salt or the purified water that takes mixed water to the target.

    Args:
        volume_l: Water in the vessel, litres, above 0.
        salinity: Its practical salinity, 0 to 80; the scale ends at 42.
        target: Practical salinity to reach, 0 to 42.
        mix_yield: Grams of salt per gram of mix, 0.5 to 1.
        temperature_C: Of the water, °C, -2 to 40.

    Returns:
        A dose of mix or of purified water, never both.

    Raises:
        OutOfRange: An argument leaves its range.
        CannotDose: The target is 0, which no amount of water reaches.
    """
    if not volume_l > 0.0:
        msg = f"a volume of {volume_l:g} L is nothing to correct; give more than 0 L"
        raise OutOfRange(msg)
    _check_target(target)
    before = water(volume_l, salinity, temperature_C)
    if target >= salinity:
        salt_g = _mix_to_reach(before, target, mix_yield)
        return _dose(_with_mix(before, salt_g, mix_yield), salt_g, 0.0, temperature_C)
    _check_yield(mix_yield)
    if salt_g_kg(target) <= 0.0:
        msg = f"no amount of water takes salinity {salinity:g} down to 0; empty the vessel"
        raise CannotDose(msg)
    added_g = before.salt_g / (salt_g_kg(target) / 1000.0) - before.mass_g
    added_l = added_g / density_kg_m3(0.0, temperature_C)
    return _dose(before + Water(added_g, 0.0), 0.0, added_l, temperature_C)


def outcome(
    volume_l: float,
    salinity: float,
    salt_g: float = 0.0,
    purified_water_l: float = 0.0,
    mix_yield: float = COMMON_YIELD,
    temperature_C: float = 25.0,
) -> Dose:
    """Return the result of a given addition.

    The inverse of `plan` and `correct`: their dose leads to their target.

    Args:
        volume_l: Water in the vessel, litres.
        salinity: Its practical salinity, 0 to 80; the scale ends at 42.
        salt_g: Mix added, g, as it comes from the bag, 0 or more.
        purified_water_l: Purified water added, litres.
        mix_yield: Grams of salt per gram of mix, 0.5 to 1.
        temperature_C: Of the water, °C, -2 to 40.

    Raises:
        OutOfRange: An argument leaves its range, or the result passes 80.
    """
    _check_yield(mix_yield)
    if not 0.0 <= salt_g < math.inf:
        msg = f"{salt_g:g} g of mix cannot be added; give 0 g or more"
        raise OutOfRange(msg)
    before = water(volume_l, salinity, temperature_C) + water(purified_water_l, 0.0, temperature_C)
    after = _with_mix(before, salt_g, mix_yield)
    return _dose(after, salt_g, purified_water_l, temperature_C)


def yield_of(
    volume_l: float,
    salinity_before: float,
    salinity_after: float,
    salt_g: float,
    temperature_C: float = 25.0,
) -> float:
    """Return the yield that a batch showed: grams of salt per gram of mix.

    The balance is taken as it comes; a result outside 0.5 to 1 says that a
    weight, a volume or a salinity was wrong, or that salt had not dissolved.

    Args:
        volume_l: Water in the vessel before the salt, litres, above 0.
        salinity_before: Its practical salinity, 0 to 42.
        salinity_after: Practical salinity once mixed, 0 to 42.
        salt_g: Mix added, g, above 0.
        temperature_C: Of the water when its volume was read, °C, -2 to 40.

    Raises:
        OutOfRange: An argument leaves its range.
    """
    if not (volume_l > 0.0 and 0.0 < salt_g < math.inf):
        msg = f"{salt_g:g} g of mix in {volume_l:g} L show no yield; both must be above 0"
        raise OutOfRange(msg)
    before = water(volume_l, salinity_before, temperature_C)
    after_salt_g = (before.mass_g + salt_g) * salt_g_kg(salinity_after) / 1000.0
    return (after_salt_g - before.salt_g) / salt_g


def change(
    volume_l: float,
    salinity: float,
    changed_l: float,
    new_salinity: float,
    temperature_C: float = 25.0,
) -> Dose:
    """Return what a water change makes of a tank; all water at one temperature.

    Args:
        volume_l: Water in the tank, litres, above 0.
        salinity: Its practical salinity, 0 to 80; the scale ends at 42.
        changed_l: Litres taken out and litres of new water put in, up to `volume_l`.
        new_salinity: Practical salinity of the new water, 0 to 42.
        temperature_C: °C, -2 to 40.

    Raises:
        OutOfRange: An argument leaves its range.
    """
    if not (volume_l > 0.0 and 0.0 <= changed_l <= volume_l):
        msg = f"{changed_l:g} L cannot be changed in a tank of {volume_l:g} L"
        raise OutOfRange(msg)
    remaining = water(volume_l - changed_l, salinity, temperature_C)
    return _dose(remaining + water(changed_l, new_salinity, temperature_C), 0.0, 0.0, temperature_C)


def headroom_l(final_volume_l: float, capacity_l: float) -> float:
    """Return the litres left above the water; negative for what runs over.

    Raises:
        OutOfRange: The capacity is not above 0.
    """
    if not 0.0 < capacity_l < math.inf:
        msg = f"a capacity of {capacity_l:g} L holds nothing; give more than 0 L"
        raise OutOfRange(msg)
    return capacity_l - final_volume_l


def _check_target(target: float) -> None:
    if not 0.0 <= target <= MAX_SALINITY:
        msg = f"a target of practical salinity {target:g} is outside 0 to {MAX_SALINITY:g}"
        raise OutOfRange(msg)


def _mix_to_reach(before: Water, target: float, mix_yield: float) -> float:
    """Return the mix, g, that solves (salt + yield x) / (mass + x) = fraction."""
    _check_yield(mix_yield)
    _check_target(target)
    fraction = salt_g_kg(target) / 1000.0
    missing_g = fraction * before.mass_g - before.salt_g
    # A last-digit shortfall is none: nothing needs adding to water that is right.
    if abs(missing_g) < 1e-12 * before.mass_g:
        return 0.0
    return missing_g / (mix_yield - fraction)


def _with_mix(before: Water, salt_g: float, mix_yield: float) -> Water:
    return before + Water(salt_g, mix_yield * salt_g)


def _dose(after: Water, salt_g: float, purified_water_l: float, temperature_C: float) -> Dose:
    return Dose(
        salt_g=salt_g,
        purified_water_l=purified_water_l,
        salinity=_rounded_in(after.salinity),
        final_volume_l=after.volume_l(temperature_C),
        final_mass_kg=after.mass_g / 1000.0,
    )


def _rounded_in(salinity: float) -> float:
    """Take the last digit's overshoot at 42 for 42; leave anything more to be refused."""
    return MAX_SALINITY if MAX_SALINITY < salinity < MAX_SALINITY + 1e-9 else salinity


def _check_yield(mix_yield: float) -> None:
    if not MIN_YIELD <= mix_yield <= 1.0:
        msg = (
            f"a yield of {mix_yield:g} is outside {MIN_YIELD:g} to 1"
            " gram of salt per gram of salt mix"
        )
        raise OutOfRange(msg)
