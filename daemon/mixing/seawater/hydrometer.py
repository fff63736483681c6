"""What a glass hydrometer says of the water that it floats in.

On each instrument a pair of temperatures is printed, such as 25/25 °C, 20/4 °C or
60/60 °F: that of the liquid for which the scale is made, and that of the pure water
whose density the scale divides by.  Without the pair a reading says little: 1.0264 in
water of 25 °C is salinity 35.0 on an instrument for 25/25 °C and 38.8 on one for 20/4 °C.

In water of another temperature the glass is larger or smaller than the scale was made
for; that is corrected here.  Surface tension is not.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from daemon.mixing.seawater.properties import (
    MAX_SALINITY,
    OutOfRange,
    density_kg_m3,
    salinity_from_specific_gravity,
)

GLASS_PER_K = 25e-6
"""Cubic expansion of soda-lime glass, per K.  Source: ISO 387:1977, from memory."""

MIN_PRINTED_C, MAX_PRINTED_C = 0.0, 40.0
"""Where the temperatures printed on an instrument lie, °C; our own choice, beyond any in use."""

_PAIR = re.compile(
    r"\s*([0-9]{1,3}(?:\.[0-9]{1,2})?)\s*°?\s*([CF])?\s*/"
    r"\s*([0-9]{1,3}(?:\.[0-9]{1,2})?)\s*°?\s*([CF])?\s*",
    re.ASCII | re.IGNORECASE,
)


@dataclass(frozen=True, slots=True)
class Pair:
    """The temperatures printed on a hydrometer.

    Attributes:
        liquid_C: Of the liquid for which the scale is made, °C.
        water_C: Of the pure water whose density it divides by, °C.
    """

    liquid_C: float
    water_C: float

    def __post_init__(self) -> None:
        """Refuse a temperature that no instrument is made for.

        Raises:
            OutOfRange: It leaves 0 to 40 °C.
        """
        for each in (self.liquid_C, self.water_C):
            if not MIN_PRINTED_C <= each <= MAX_PRINTED_C:
                raise OutOfRange(
                    f"a hydrometer for {self.liquid_C:g}/{self.water_C:g} °C is outside"
                    f" {MIN_PRINTED_C:g} to {MAX_PRINTED_C:g} °C; if the pair is in °F, write it"
                    f" as {self.liquid_C:g}/{self.water_C:g}F"
                )


def parse_pair(text: str) -> Pair:
    """Return the pair of temperatures that a text such as 25/25, 20/4 °C or 60/60F names.

    Raises:
        OutOfRange: It names none, or none that an instrument is made for.
    """
    salinity = _PAIR.fullmatch(text)
    if salinity is None:
        raise OutOfRange(
            f"hydrometer = {text[:20]!r} is no pair of temperatures; write what is printed on it,"
            " such as 25/25 or 20/4 in °C, or 60/60F"
        )
    first, unit, second, last_unit = salinity.groups()
    units = (unit or last_unit or "C").upper(), (last_unit or unit or "C").upper()
    return Pair(_celsius(float(first), units[0]), _celsius(float(second), units[1]))


def hydrometer_reading(salinity: float, temperature_C: float, pair: Pair) -> float:
    """Return what a hydrometer shows in water.

    Args:
        salinity: Practical salinity of the water, 0 to 42.
        temperature_C: Of the water, ITS-90, °C; -2 to 40.
        pair: What is printed on the instrument.

    Raises:
        OutOfRange: An argument leaves its range.

    Source: the weight of the instrument is that of the water displaced, at the
    temperature of the scale and at that of the water:

        R rho_w(t2) V = rho(S, t) V (1 + 25e-6 (t - t1))
    """
    density = density_kg_m3(salinity, temperature_C)
    return density * _glass(temperature_C, pair) / density_kg_m3(0.0, pair.water_C)


def salinity_from_hydrometer(reading: float, temperature_C: float, pair: Pair) -> float:
    """Return the practical salinity of water in which a hydrometer shows a reading.

    Args:
        reading: Specific gravity on its scale; about 0.996 to 1.034.
        temperature_C: Of the water, ITS-90, °C; -2 to 40.
        pair: What is printed on the instrument.

    Raises:
        OutOfRange: The temperature leaves its range, or the salinity leaves 0 to 42.

    Source: inverse of `hydrometer_reading`.
    """
    lowest, highest = (
        hydrometer_reading(each, temperature_C, pair) for each in (0.0, MAX_SALINITY)
    )
    gravity = reading / _glass(temperature_C, pair)
    try:
        return salinity_from_specific_gravity(gravity, temperature_C, pair.water_C)
    except OutOfRange as exc:
        raise OutOfRange(
            f"specific gravity {reading:g} is not that of seawater of {temperature_C:g} °C on a"
            f" hydrometer for {pair.liquid_C:.4g}/{pair.water_C:.4g} °C; expected {lowest:.4f} to"
            f" {highest:.4f}"
        ) from exc


def _glass(temperature_C: float, pair: Pair) -> float:
    """Return the volume of the glass in the water, over that for which the scale is made."""
    return 1.0 + GLASS_PER_K * (temperature_C - pair.liquid_C)


def _celsius(value: float, unit: str) -> float:
    return value if unit == "C" else (value - 32.0) / 1.8
