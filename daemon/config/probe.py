"""`[[reservoir.probe]]`: what is common to all drivers, and how a driver adds keys of its own."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from difflib import get_close_matches
from typing import Annotated, Any, Literal, TypeAlias

from pydantic import AfterValidator, BeforeValidator, ConfigDict, Field, ValidationInfo

from daemon.config.fields import Section, name, number, one_of, text, whole
from daemon.wire.units import Scale

ConductivityUnit: TypeAlias = Literal["uS/cm", "mS/cm", "S/m"]
TemperatureUnit: TypeAlias = Literal["degC", "degF", "K"]


def _plain_micro(value: object) -> object:
    """Take either of the two micro signs for the letter u."""
    return value.replace("\u00b5", "u").replace("\u03bc", "u") if isinstance(value, str) else value


def _none_is_raw(value: object) -> object:
    return None if value == "none" else _refuse_null(value)


def _refuse_null(value: object) -> object:
    if isinstance(value, dict):
        return value
    msg = "neither"
    raise ValueError(msg)


class Units(Section):
    """`units` of a probe: what its numbers mean; declared, never guessed by size."""

    conductivity: Annotated[ConductivityUnit, BeforeValidator(_plain_micro)] = one_of(
        "uS/cm", "µS/cm", "mS/cm", "S/m"
    )
    temperature: TemperatureUnit = one_of("degC", "degF", "K")


class LinearCompensation(Section):
    """The rule by which an instrument refers conductivity to one temperature.

    Attributes:
        linear_percent_per_C: Its coefficient, % per °C.
        reference_C: The temperature it refers to, °C.
    """

    linear_percent_per_C: float = number(0, 5, "% per °C")
    reference_C: float = number(0, 40, "°C")


def _known(value: str, info: ValidationInfo) -> str:
    drivers: Drivers | None = (info.context or {}).get("drivers")
    if drivers is None or value in drivers:
        return value
    names = ", ".join(map(repr, drivers))
    close = get_close_matches(value, drivers, n=1)
    nearest = f"the nearest is {close[0]!r}, and" if close else "and"
    raise ValueError(f"no driver is called so; {nearest} there are {names}")


class Probe(Section):
    """`[[reservoir.probe]]`: one instrument, with the keys that every driver has.

    Attributes:
        name: Unique within its reservoir.
        driver: How it is spoken to, which decides what further keys there are.
        period_s: Seconds between readings.
        conductivity_u_percent: Standard uncertainty assumed until calibrated,
            % of the value; our own choice.
        temperature_u_C: Standard uncertainty assumed until calibrated, °C; our
            own choice.
        linearity_percent: How far the instrument may leave a straight line, ± %; our own
            choice where its maker states nothing, as the next three.
        zero_limits_mS_cm: How far its zero may be off, ±, when nothing conducts.
        cell_temperature_C: How far the water in the cell may differ from that at the
            thermometer, ±.
        drift_percent_30d: How far its cell constant may move in thirty days, ± %; checks
            and calibrations then tell how far it does.
        calibrate_every_days: Days until the next calibration is due; our own choice.
        calibrate_with: What a dashboard's button holds it against; None for no such button.
    """

    name: str = name("probe")
    driver: Annotated[str, AfterValidator(_known)] = text("the name of a driver such as 'line'")
    period_s: float = number(0.2, 60, "seconds", 2.0)
    conductivity_u_percent: float = number(0.01, 20, "% of the value", 0.5)
    temperature_u_C: float = number(0.001, 5, "°C", 0.1)
    linearity_percent: float = number(0, 5, "% of the value", 0.1)
    zero_limits_mS_cm: float = number(0.001, 5, "mS/cm", 0.1)
    cell_temperature_C: float = number(0, 2, "°C", 0.05)
    drift_percent_30d: float = number(0.01, 20, "% in thirty days", 0.5)
    calibrate_every_days: int = whole(1, 730, "days", 90)
    calibrate_with: str | None = text(
        "references such as 'air; kcl-12-88 lot=Q-12 tolerance=0.5'", None, 500
    )

    @classmethod
    def crossings(cls, _table: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
        """Yield what is wrong between keys that are each right: the key, and what must hold.

        Args:
            _table: The section as the file has it; keys may be missing or of a wrong type.
        """
        yield from ()

    @classmethod
    def alone_at(cls, _table: Mapping[str, Any]) -> tuple[str, str] | None:
        """Return the key and the path of a device that one probe alone can use; None for none.

        Args:
            _table: As for `crossings`.
        """
        return None


class InstrumentProbe(Probe):
    """A probe whose instrument says two numbers in units of its own.

    Attributes:
        units: Of the two numbers.
        compensation: What the instrument does to conductivity before it says
            it; None (in the file: "none") for raw values.
    """

    units: Units = Field(
        description="units such as { conductivity = 'uS/cm', temperature = 'degC' }"
    )
    compensation: Annotated[LinearCompensation | None, BeforeValidator(_none_is_raw)] = Field(
        description="'none' for an instrument that reports raw conductivity, or"
        " { linear_percent_per_C = 2.0, reference_C = 25 } as its manual says"
    )

    @property
    def scale(self) -> Scale:
        """What its two numbers mean."""
        rule = self.compensation
        return Scale(
            self.units.conductivity,
            self.units.temperature,
            0.0 if rule is None else rule.linear_percent_per_C,
            25.0 if rule is None else rule.reference_C,
        )


class UncheckedProbe(Probe):
    """A probe of a driver that is not known here, so that only the common keys are looked at."""

    model_config = ConfigDict(extra="ignore")


Drivers: TypeAlias = Mapping[str, type[Probe]]
"""The sections of the drivers there are, by the name of each."""


def section_of(table: object, drivers: Drivers | None) -> type[Probe]:
    """Return what the section of one probe must be, by the driver that it names."""
    named = table.get("driver") if isinstance(table, Mapping) else None
    known = drivers is not None and isinstance(named, str) and named in drivers
    return drivers[named] if known and drivers is not None and named else UncheckedProbe


def _of_its_driver(value: object, info: ValidationInfo) -> object:
    if not isinstance(value, Mapping):
        return value
    section = section_of(value, (info.context or {}).get("drivers"))
    return section.model_validate(value, context=info.context)


ProbeSection: TypeAlias = Annotated[Probe, BeforeValidator(_of_its_driver)]
"""A section that is read as the driver wants it which it names."""
