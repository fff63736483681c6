"""What measures: keys that are common to all drivers, and how a driver adds keys of its own."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from functools import cache
from typing import Annotated, Any, Literal, TypeAlias

from pydantic import AfterValidator, BeforeValidator, ConfigDict, Field, ValidationInfo

from daemon.config.fields import Section, name, number, one_of, text, whole
from daemon.wire.units import Scale

ConductivityUnit: TypeAlias = Literal["uS/cm", "mS/cm", "S/m"]
TemperatureUnit: TypeAlias = Literal["degC", "degF", "K"]
Quantity: TypeAlias = Literal["conductivity", "temperature", "pump"]
"""What an instrument can give."""


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
    """`units` of an instrument: what its numbers mean; declared, never guessed by size.

    Attributes:
        conductivity: Of that; None where it gives none.
        temperature: Likewise.
    """

    conductivity: Annotated[ConductivityUnit | None, BeforeValidator(_plain_micro)] = one_of(
        "uS/cm", "µS/cm", "mS/cm", "S/m", default=None
    )
    temperature: TemperatureUnit | None = one_of("degC", "degF", "K", default=None)


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


@dataclass(frozen=True, slots=True)
class Occupation:
    """The device that a section uses.

    Attributes:
        key: Of the section, which names it.
        path: Of the device, or host and port.
        shared_as: What all sections that use it must agree on, in words, such as
            "modbus at 9600 8N1"; empty where one section alone can use it.
        place: What on a shared device one section alone can use, in words, such as "address
            0x64"; empty for nothing.
        place_key: Of the section, which names that.
    """

    key: str
    path: str
    shared_as: str = ""
    place: str = ""
    place_key: str = ""


class Source(Section):
    """Something that measures, by a driver: the keys that each driver's section has.

    Attributes:
        name: Unique within its reservoir, or among the inputs.
        driver: How it is spoken to, which decides what further keys there are.
        period_s: Seconds between readings.
    """

    name: str = name("instrument")
    driver: Annotated[str, AfterValidator(_known)] = text("the name of a driver such as 'line'")
    period_s: float = number(0.2, 60, "seconds", 2.0)

    @classmethod
    def crossings(
        cls,
        table: Mapping[str, Any],  # noqa: ARG003 - for drivers that have such keys
    ) -> Iterator[tuple[str, str]]:
        """Yield what is wrong between keys that are each right: the key, and what must hold.

        Args:
            table: The section as the file has it; keys may be missing or of a wrong type.
        """
        yield from ()

    @classmethod
    def occupies(
        cls,
        table: Mapping[str, Any],  # noqa: ARG003 - likewise
    ) -> Occupation | None:
        """Return the device that it uses where not everybody can; None for none.

        Args:
            table: As for `crossings`.
        """
        return None

    @classmethod
    def gives(
        cls,
        table: Mapping[str, Any],  # noqa: ARG003 - likewise
    ) -> frozenset[Quantity]:
        """Return what an instrument of this section gives; all, where a wrong key hides it.

        Args:
            table: As for `crossings`.
        """
        return frozenset(("conductivity", "temperature"))

    @property
    def needs_network(self) -> bool:
        """Whether its instrument is reached over a network, which its service must be given."""
        return False

    @classmethod
    def lack(cls, quantity: Quantity) -> tuple[str, str]:
        """Return the key by which a quantity would be given, and what it says now.

        Args:
            quantity: What the section does not give, though it must.
        """
        return "driver", f"gives no {quantity} with these keys"


class CompensatingSource(Source):
    """A source whose instrument may refer conductivity to one temperature before it says it.

    Attributes:
        compensation: How it does so; None (in the file: "none") for raw values.
    """

    compensation: Annotated[LinearCompensation | None, BeforeValidator(_none_is_raw)] = Field(
        None,
        description="'none' for an instrument that reports raw conductivity, or"
        " { linear_percent_per_C = 2.0, reference_C = 25 } as its manual says",
    )

    @classmethod
    def crossings(cls, table: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
        """Yield a compensation that is missing, or cannot be undone."""
        gives = cls.gives(table)
        if "conductivity" not in gives:
            return
        if "compensation" not in table:
            yield "compensation", f"is missing; give {cls.model_fields['compensation'].description}"
        elif isinstance(table["compensation"], Mapping) and "temperature" not in gives:
            rule = "cannot be undone without the temperature by the same instrument; read that too"
            yield "compensation", rule

    def undoing(self, conductivity_unit: str, temperature_unit: str) -> Scale:
        """Return what numbers in these units mean, with the compensation undone."""
        rule = self.compensation
        return Scale(
            conductivity_unit,
            temperature_unit,
            0.0 if rule is None else rule.linear_percent_per_C,
            25.0 if rule is None else rule.reference_C,
        )


class IndicatingSource(CompensatingSource):
    """A source whose instrument indicates numbers in units of its own.

    Attributes:
        units: Of its numbers.
    """

    units: Units = Field(
        default=Units(),
        description="units such as { conductivity = 'uS/cm', temperature = 'degC' }",
    )

    @classmethod
    def crossings(cls, table: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
        """Yield a unit that is missing, and what is wrong with the compensation."""
        numbers = cls.gives(table) & {"conductivity", "temperature"}
        units = table.get("units")
        if numbers and "units" not in table:
            yield "units", f"is missing; give {cls.model_fields['units'].description}"
        elif isinstance(units, Mapping):
            for quantity in sorted(numbers - units.keys()):
                allowed = Units.model_fields[quantity].description
                yield "units", f"lacks {quantity}, which this instrument gives; give {allowed}"
        yield from super().crossings(table)

    @property
    def scale(self) -> Scale:
        """What its numbers mean."""
        return self.undoing(self.units.conductivity or "mS/cm", self.units.temperature or "degC")


class Probe(Source):
    """`[[reservoir.probe]]`: one instrument in a reservoir, with the keys that every probe has.

    Attributes:
        temperature_from: Name of the `[[input]]` that measures the temperature beside it; None
            where its own instrument does.
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

    temperature_from: str | None = text("the name of an [[input]] such as 'thermo-1'", None, 63)
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


class UncheckedProbe(Probe):
    """A probe of a driver that is not known here, so that only the common keys are looked at."""

    model_config = ConfigDict(extra="ignore")


class UncheckedInput(Source):
    """An input of a driver that is not known here, likewise."""

    model_config = ConfigDict(extra="ignore")


Drivers: TypeAlias = Mapping[str, type[Source]]
"""The sections of the drivers there are, by the name of each."""


@cache
def probe_section(source: type[Source]) -> type[Probe]:
    """Return the section of a probe by a driver: the keys of that driver, and those of a probe."""
    made: type[Probe] = type(
        source.__name__, (source, Probe), {"__doc__": source.__doc__, "__module__": __name__}
    )
    return made


def section_of(table: object, drivers: Drivers | None) -> type[Probe]:
    """Return what the section of one probe must be, by the driver that it names."""
    source = _source_of(table, drivers)
    return UncheckedProbe if source is None else probe_section(source)


def input_section_of(table: object, drivers: Drivers | None) -> type[Source]:
    """Return what the section of one input must be, by the driver that it names."""
    return _source_of(table, drivers) or UncheckedInput


def _source_of(table: object, drivers: Drivers | None) -> type[Source] | None:
    named = table.get("driver") if isinstance(table, Mapping) else None
    known = drivers is not None and isinstance(named, str) and named in drivers
    return drivers[named] if known and drivers is not None and named else None


def _probe_of_its_driver(value: object, info: ValidationInfo) -> object:
    if not isinstance(value, Mapping):
        return value
    section = section_of(value, (info.context or {}).get("drivers"))
    return section.model_validate(value, context=info.context)


def _input_of_its_driver(value: object, info: ValidationInfo) -> object:
    if not isinstance(value, Mapping):
        return value
    section = input_section_of(value, (info.context or {}).get("drivers"))
    return section.model_validate(value, context=info.context)


ProbeSection: TypeAlias = Annotated[Probe, BeforeValidator(_probe_of_its_driver)]
"""A section that is read as the driver wants it which it names."""
InputSection: TypeAlias = Annotated[Source, BeforeValidator(_input_of_its_driver)]
"""The same, of an `[[input]]`."""
