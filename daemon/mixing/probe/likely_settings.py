"""Which settings of a probe are likely wrong, by values that no water has, or not this water.

Units are declared and never guessed by size: what is said here is said to a person, who decides.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median

from daemon.mixing.seawater.properties import OutOfRange, practical_salinity

TO_MS_CM: Mapping[str, float] = {"uS/cm": 1e-3, "mS/cm": 1.0, "S/m": 10.0}
TEMPERATURE_C = (1.0, 40.0)
"""What water in a mixing reservoir can have; our own choice."""
CONDUCTIVITY_MS_CM = (-0.1, 100.0)
"""Between air and water salted twice; our own choice, as the gross range test has it."""
NEAR = 0.15
"""Share of the salinity that is expected within which a unit explains the values."""
ROUGHLY = 0.3
"""The same of the target, which the water need not have reached."""
THIN_PPT = 5.0
"""Below this the water is purified or hardly salted, or the unit is wrong."""
USUAL_COMPENSATION = (2.0, 25.0)
"""% per °C and °C that instruments come with (from memory)."""
FEWEST_FLAT = 10
"""Equal readings in a row that make one look; our own choice."""


@dataclass(frozen=True, slots=True)
class IndicatedUnits:
    """What a section says of its numbers.

    Attributes:
        conductivity: Unit of it.
        temperature: Unit of it.
        percent_per_C: Compensation that is undone, % per °C; 0 for none.
        reference_C: What that refers to, °C.
    """

    conductivity: str = "mS/cm"
    temperature: str = "degC"
    percent_per_C: float = 0.0
    reference_C: float = 25.0


@dataclass(frozen=True, slots=True)
class Alternative:
    """What another setting would have made of the same reply.

    Attributes:
        setting: In words of the configuration, such as 'word_order = "CDAB"'.
        conductivity_mS_cm: As the service would have it; None for none.
        temperature_C: Likewise.
    """

    setting: str
    conductivity_mS_cm: float | None
    temperature_C: float | None


@dataclass(frozen=True, slots=True)
class Water:
    """What is known of the water that a probe stands in.

    Attributes:
        salinity: Practical salinity that a person says it has; None for not known.
        target: What the reservoir's batches are to have; None for none.
    """

    salinity: float | None = None
    target: float | None = None


def suspicions(
    readings: Sequence[tuple[float | None, float | None]],
    units: IndicatedUnits,
    water: Water,
    alternatives: Sequence[Alternative] = (),
) -> list[str]:
    """Return a sentence for each setting that is likely or possibly wrong.

    Args:
        readings: Conductivity, mS/cm, and temperature, °C, as the service has them.
        units: As the section has them.
        water: What the probe stands in.
        alternatives: What other settings would make of a reply.
    """
    conductivities = [value for value, _ in readings if value is not None]
    temperatures = [value for _, value in readings if value is not None]
    conductivity = median(conductivities) if conductivities else None
    temperature = median(temperatures) if temperatures else None
    said = _by_alternatives(conductivity, temperature, alternatives, water)
    if not said and conductivity is not None and temperature is not None:
        said = _swapped(conductivity, temperature, units)
    if not said:
        said = [
            *_temperature(temperature, units),
            *_conductivity(conductivity, temperature, units, water),
        ]
    return [*said, *_flat(conductivities, temperatures)]


def believable(conductivity: float | None, temperature: float | None) -> bool:
    """Say whether water can have both of these values, as far as they are there."""
    return (conductivity is None or _in(conductivity, CONDUCTIVITY_MS_CM)) and (
        temperature is None or _in(temperature, TEMPERATURE_C)
    )


def _in(value: float, limits: tuple[float, float]) -> bool:
    return limits[0] <= value <= limits[1]


def _salinity(conductivity: float | None, temperature: float | None) -> float | None:
    if conductivity is None or conductivity < 0.0:
        return None
    try:
        return practical_salinity(conductivity, 22.0 if temperature is None else temperature)
    except OutOfRange:
        return None


def _by_alternatives(
    conductivity: float | None,
    temperature: float | None,
    alternatives: Sequence[Alternative],
    water: Water,
) -> list[str]:
    """Return which other setting gives values that water has, where the present one gives none."""
    present = _salinity(conductivity, temperature)
    has_value = conductivity is not None or temperature is not None
    is_right = has_value and believable(conductivity, temperature)
    expected = water.salinity
    if is_right and (expected is None or _near(present, expected, NEAR)):
        return []
    fitting = [
        each
        for each in alternatives
        if believable(each.conductivity_mS_cm, each.temperature_C)
        and not _is_vanishing(each)
        and (
            expected is None
            or _near(_salinity(each.conductivity_mS_cm, each.temperature_C), expected, NEAR)
        )
    ]
    if not fitting:
        return []
    choices = " or ".join(
        f"{each.setting} (then {_values(each.conductivity_mS_cm, each.temperature_C)})"
        for each in fitting
    )
    sure = "is likely" if len(fitting) == 1 else "are possible"
    present_words = f"{_values(conductivity, temperature)} is no water"
    if conductivity is None and temperature is None:
        present_words = "There is no number as it is configured"
    return [f"{present_words}; {choices} {sure}."]


def _is_vanishing(each: Alternative) -> bool:
    """Return whether a value is so near zero that only another order of its bytes gives it."""
    values = (each.conductivity_mS_cm, each.temperature_C)
    return any(value is not None and 0.0 < abs(value) < 1e-6 for value in values)  # noqa: PLR2004


def _values(conductivity: float | None, temperature: float | None) -> str:
    parts = [f"{conductivity:.6g} mS/cm"] if conductivity is not None else []
    parts += [f"{temperature:.4g} °C"] if temperature is not None else []
    return " at ".join(parts) or "no value"


def _near(value: float | None, expected: float, share: float) -> bool:
    return value is not None and abs(value - expected) <= share * expected


def _indicated(conductivity: float, temperature: float, units: IndicatedUnits) -> float:
    """Return conductivity as the instrument indicates it, mS/cm, compensation not undone."""
    stretch = 1.0 + units.percent_per_C / 100.0 * (temperature - units.reference_C)
    return conductivity / stretch if stretch else math.nan


def _swapped(conductivity: float, temperature: float, units: IndicatedUnits) -> list[str]:
    """Return that the two numbers are likely swapped, where only that gives values of water."""
    if believable(conductivity, temperature):
        return []
    first = _indicated(conductivity, temperature, units) / TO_MS_CM[units.conductivity]
    second = _spoken_temperature(temperature, units.temperature)
    fits = _in(first, TEMPERATURE_C) and _in(
        second * TO_MS_CM[units.conductivity], CONDUCTIVITY_MS_CM
    )
    if not fits or second < 0.0:
        return []
    sentence = (
        f"Conductivity {first:.6g} {units.conductivity} and temperature {second:.6g}"
        f" {units.temperature} are likely swapped: exchange the two in the section."
    )
    return [sentence]


def _spoken_temperature(temperature_C: float, unit: str) -> float:
    return {"degF": temperature_C * 1.8 + 32.0, "K": temperature_C + 273.15}.get(
        unit, temperature_C
    )


def _temperature(temperature: float | None, units: IndicatedUnits) -> list[str]:
    """Return which unit or factor makes a temperature that water has."""
    if temperature is None or _in(temperature, TEMPERATURE_C):
        return []
    spoken = _spoken_temperature(temperature, units.temperature)
    read = {
        'units temperature = "degC"': spoken,
        'units temperature = "degF"': (spoken - 32.0) / 1.8,
        'units temperature = "K"': spoken - 273.15,
        "a factor of 10 (tenths of a degree)": spoken / 10.0,
        "a factor of 100 (hundredths of a degree)": spoken / 100.0,
        "a factor of 1000 (thousandths of a degree)": spoken / 1000.0,
    }
    present = f'units temperature = "{units.temperature}"'
    fitting = [
        f"{how} (then {value:.4g} °C)"
        for how, value in read.items()
        if how != present and _in(value, TEMPERATURE_C)
    ]
    if not fitting:
        sentence = (
            f"The temperature is {temperature:.4g} °C, which no reservoir has, whatever its unit:"
            " is the thermometer connected?"
        )
        return [sentence]
    return [f"The temperature is {temperature:.4g} °C; likely is {' or '.join(fitting)}."]


def _conductivity(
    conductivity: float | None, temperature: float | None, units: IndicatedUnits, water: Water
) -> list[str]:
    if conductivity is None:
        return []
    known = temperature if temperature is not None and _in(temperature, TEMPERATURE_C) else None
    present = _salinity(conductivity, known)
    if not _in(conductivity, CONDUCTIVITY_MS_CM):
        return _unit_sentences(conductivity, known, units, water, _NO_WATER)
    if water.salinity is not None:
        if _near(present, water.salinity, NEAR):
            return _compensated(present, conductivity, known, units, water.salinity)
        found = _unit_sentences(conductivity, known, units, water, _OTHER_WATER)
        return found or _compensated(present, conductivity, known, units, water.salinity)
    if present is not None and present < THIN_PPT and water.target is not None:
        return _unit_sentences(conductivity, known, units, water, _THIN_WATER)
    return []


_NO_WATER = "The conductivity is {value}, which no water has; {units}."
_OTHER_WATER = "The conductivity is {value}, which is not the water that you name; {units}."
_THIN_WATER = (
    "The conductivity is {value}: right for purified or hardly salted water. If the probe stands in"
    " mixed seawater, {units}."
)


def _unit_sentences(
    conductivity: float,
    temperature: float | None,
    units: IndicatedUnits,
    water: Water,
    sentence: str,
) -> list[str]:
    """Return which unit would make the water that is expected, or water at all."""
    fitting = []
    for unit, factor in TO_MS_CM.items():
        other = conductivity / TO_MS_CM[units.conductivity] * factor
        salinity = _salinity(other, temperature)
        if unit == units.conductivity or not _in(other, CONDUCTIVITY_MS_CM) or salinity is None:
            continue
        expected, share = water.salinity, NEAR
        if expected is None:
            expected, share = water.target, ROUGHLY
        if expected is not None and not _near(salinity, expected, share):
            continue
        times = factor / TO_MS_CM[units.conductivity]
        ratio = f"{times:g} times" if times > 1.0 else f"1/{1.0 / times:g} of"
        fitting.append(f'units conductivity = "{unit}" ({ratio} this: {salinity:.1f} ppt)')
    value = f"{conductivity:.6g} mS/cm"
    if fitting:
        return [sentence.format(value=value, units=f"likely is {' or '.join(fitting)}")]
    if sentence is _NO_WATER:
        remedy = "no unit explains it: is it the right number, and is the cell in the water?"
        return [sentence.format(value=value, units=remedy.rstrip("."))]
    return []


def _compensated(
    present: float | None,
    conductivity: float,
    temperature: float | None,
    units: IndicatedUnits,
    expected: float,
) -> list[str]:
    """Return that a compensation fits the water that a person names better than the present one."""
    if present is None or temperature is None:
        return []
    percent, reference_C = USUAL_COMPENSATION
    indicated = _indicated(conductivity, temperature, units)
    if units.percent_per_C == 0.0:
        undone = indicated * (1.0 + percent / 100.0 * (temperature - reference_C))
        what = f"it compensates (with {percent:g} % per °C it would be {{:.1f}} ppt)"
    else:
        undone = indicated
        what = "it does not compensate (then it would be {:.1f} ppt)"
    other = _salinity(undone, temperature)
    if other is None or abs(other - expected) > 0.3 * abs(present - expected):
        return []
    if abs(present - expected) < 0.03 * expected:
        return []
    sentence = (
        f"It reads {present:.1f} ppt in water of {expected:g}: possibly {what.format(other)};"
        " 'brinewright probe try NAME --warm' tells."
    )
    return [sentence]


def _flat(conductivities: Sequence[float], temperatures: Sequence[float]) -> list[str]:
    """Return that neither number has changed at all."""
    if len(conductivities) < FEWEST_FLAT or len(set(conductivities)) > 1:
        return []
    if temperatures and len(set(temperatures)) > 1:
        return []
    sentence = (
        f"All {len(conductivities)} readings are the same to the last digit: in still water that"
        " can be; a hand around the probe should change the temperature."
    )
    return [sentence]
