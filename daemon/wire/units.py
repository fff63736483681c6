"""What an instrument's numbers mean: declared units to ours, compensation undone.

Units are declared in the configuration and never guessed from a number's size.
"""

from __future__ import annotations

from dataclasses import dataclass

TO_MS_CM = {"mS/cm": 1.0, "uS/cm": 1e-3, "µS/cm": 1e-3, "S/m": 10.0}
TEMPERATURES = ("degC", "degF", "K")


def conductivity_mS_cm(value: float, unit: str) -> float:
    """Return `value`, given in `unit`, in mS/cm.

    Raises:
        ValueError: The unit is not one of `TO_MS_CM`.
    """
    if unit not in TO_MS_CM:
        msg = f"unknown conductivity unit {unit!r}; use one of {', '.join(TO_MS_CM)}"
        raise ValueError(msg)
    return value * TO_MS_CM[unit]


def temperature_C(value: float, unit: str) -> float:
    """Return `value`, given in `unit`, in °C.

    Raises:
        ValueError: The unit is not one of `TEMPERATURES`.
    """
    if unit == "degC":
        return value
    if unit == "degF":
        return (value - 32.0) / 1.8
    if unit == "K":
        return value - 273.15
    msg = f"unknown temperature unit {unit!r}; use one of {', '.join(TEMPERATURES)}"
    raise ValueError(msg)


def uncompensated(
    conductivity: float, temperature_C: float, percent_per_C: float, reference_C: float
) -> float:
    """Undo an instrument's linear temperature compensation.

    Args:
        conductivity: As reported, referred to `reference_C`; any unit.
        temperature_C: Of the water, by the same instrument, °C.
        percent_per_C: The instrument's coefficient, % per °C.
        reference_C: The temperature that it refers to, °C.

    Returns:
        Conductivity at the water's own temperature, in the unit given.

    Source: the linear rule C_ref = C_T / (1 + alpha (T - T_ref)) of ISO 7888
    (1985), solved for C_T.
    """
    return conductivity * (1.0 + percent_per_C / 100.0 * (temperature_C - reference_C))


@dataclass(frozen=True, slots=True)
class Scale:
    """What the two numbers of an instrument mean.

    Attributes:
        conductivity_unit: As in `TO_MS_CM`.
        temperature_unit: As in `TEMPERATURES`.
        percent_per_C: Linear compensation to undo, % per °C; 0 for none.
        reference_C: What it refers to, °C.
    """

    conductivity_unit: str = "uS/cm"
    temperature_unit: str = "degC"
    percent_per_C: float = 0.0
    reference_C: float = 25.0

    def water(
        self, conductivity: float | None, temperature: float | None
    ) -> tuple[float | None, float | None]:
        """Return conductivity at the water's own temperature, mS/cm, and that, °C.

        Args:
            conductivity: As the instrument indicates it; None where it gives none.
            temperature: Likewise.

        Raises:
            ValueError: A unit is not known, or compensation cannot be undone without a temperature.
        """
        water_C = None if temperature is None else temperature_C(temperature, self.temperature_unit)
        if conductivity is None:
            return None, water_C
        indicated = conductivity_mS_cm(conductivity, self.conductivity_unit)
        if not self.percent_per_C:
            return indicated, water_C
        if water_C is None:
            raise ValueError("compensation cannot be undone without the instrument's temperature")
        return uncompensated(indicated, water_C, self.percent_per_C, self.reference_C), water_C
