"""The first line of a recording: which column holds what, in which unit, and what separates them.

Needed are `time`, a conductivity and a temperature, whose names carry their unit.  The names
of an export are `conductivity_mS_cm` and `temperature_C`; others are read where their unit
leaves no doubt, such as `conductivity_uS_cm` or "Temperature [°F]".
"""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass

from daemon.wire.no_recording import NoRecording
from daemon.wire.units import TO_MS_CM

REQUIRED = ("time", "conductivity_mS_cm", "temperature_C")
COLUMNS = f"the columns {', '.join(REQUIRED)} (and pump if known)"
PUMP = "pump"
CALIBRATING = "calibrating"
"""A column that may be there: 1 for a row that was taken in a reference solution."""
RESERVOIR = "reservoir"
PROBE = "probe"
AGES = ("conductivity_age_s", "temperature_age_s")
"""Columns that may be there: how much older than its row each value is, s; empty for nothing."""
OPTIONAL = (PUMP, CALIBRATING, RESERVOIR, PROBE, *AGES)
SEPARATORS = (",", ";", "\t", "|")
SEPARATOR_LINE = re.compile(r'"?sep=(.)"?,*', re.IGNORECASE)
"""A first line by which spreadsheets name the separator (from memory)."""
UNITS = {
    "conductivity_mS_cm": "mS/cm",
    "conductivity_uS_cm": "uS/cm",
    "conductivity_S_m": "S/m",
    "temperature_C": "degC",
    "temperature_degC": "degC",
    "temperature_F": "degF",
    "temperature_degF": "degF",
    "temperature_K": "K",
}
"""Unit of each name that is read; others that differ in capitals and signs are read alike."""
PLAIN_UNITS = {name.lower(): unit for name, unit in UNITS.items()}
QUANTITIES = {"conductivity": "conductivity_mS_cm", "temperature": "temperature_C"}
PLAIN = re.compile('[^"\x00\r\n]+')
"""Text that CSV splits at its separators and nothing else."""
NAMES_SHOWN = 8
SHOWN = 30


@dataclass(frozen=True, slots=True)
class Column:
    """One column of numbers.

    Attributes:
        place: Its number, counted from 0.
        name: As the file has it.
        unit: As in `daemon.wire.units`.
    """

    place: int
    name: str
    unit: str


@dataclass(frozen=True, slots=True)
class Header:
    """What the first line says.

    Attributes:
        separator: Of the fields.
        width: How many columns there are.
        time: Place of the time.
        conductivity: Where it is.
        temperature: Where it is.
        others: Places of those of `OPTIONAL` that are there.
        least: How many fields a row must have.
    """

    separator: str
    width: int
    time: int
    conductivity: Column
    temperature: Column
    others: dict[str, int]
    least: int

    @property
    def remarks(self) -> list[str]:
        """What is read in another unit than ours, a sentence each."""
        usual = dict(zip(("mS/cm", "degC"), REQUIRED[1:], strict=True))
        return [
            f"{column.name} is read as {_factor(column.unit)}"
            for column in (self.conductivity, self.temperature)
            if column.unit not in usual
        ]


def header_of(text: str) -> Header:
    """Return what a first line says.

    Raises:
        NoRecording: It does not name the columns needed, each once.
    """
    if not text.strip():
        raise NoRecording(f"the first line is empty; it must name {COLUMNS}")
    parts = [(separator, _names(text, separator)) for separator in SEPARATORS]
    for separator, names in parts:
        if all(_places(names, name) for name in REQUIRED):
            return _header(separator, names)
    _, names = max(parts, key=lambda part: len(part[1]))
    raise NoRecording(_refusal(names))


def fields_of(text: str, separator: str) -> list[str]:
    """Return the fields of one line, on its own, so that an open quotation mark ends with it.

    Raises:
        ValueError: It cannot be read as CSV.
    """
    if PLAIN.fullmatch(text):
        return text.split(separator)
    try:
        return next(csv.reader([text.replace("\x00", "\ufffd")], delimiter=separator), [])
    except csv.Error as exc:
        raise ValueError(str(exc)) from exc


def _header(separator: str, names: list[str]) -> Header:
    (time,) = _once(names, REQUIRED[0])
    (conductivity,) = _once(names, REQUIRED[1])
    (temperature,) = _once(names, REQUIRED[2])
    others = {name: place for name in OPTIONAL for place in _once(names, name)}
    return Header(
        separator,
        len(names),
        time,
        Column(conductivity, names[conductivity], PLAIN_UNITS[_plain(names[conductivity])]),
        Column(temperature, names[temperature], PLAIN_UNITS[_plain(names[temperature])]),
        others,
        1 + max(time, conductivity, temperature),
    )


def _names(text: str, separator: str) -> list[str]:
    try:
        return [name.strip().lstrip("\ufeff") for name in fields_of(text, separator)]
    except ValueError as exc:
        raise NoRecording(f"the first line cannot be read as CSV: {exc}") from exc


def _places(names: list[str], name: str) -> list[int]:
    """Return where a column is: by its very name, else by another name of the same quantity."""
    exact = [place for place, each in enumerate(names) if each == name]
    if exact:
        return exact
    quantity = name.partition("_")[0]
    also = [each for each in PLAIN_UNITS if name in REQUIRED and each.startswith(f"{quantity}_")]
    return [place for place, each in enumerate(names) if _plain(each) in (name, *also)]


def _once(names: list[str], name: str) -> list[int]:
    places = _places(names, name)
    if len(places) > 1:
        twice = " and ".join(repr(names[place][:SHOWN]) for place in places[:NAMES_SHOWN])
        raise NoRecording(
            f"the first line must name {COLUMNS}, each once; {name} is there more than once: "
            f"{twice}"
        )
    return places


def _plain(name: str) -> str:
    """Return a name in small letters, µ as u, with `_` for whatever is neither letter nor digit."""
    spelt = re.sub("[µμ]", "u", name).replace("°", "").lower()
    return re.sub(r"[^a-z0-9]+", "_", spelt).strip("_")


def _refusal(names: list[str]) -> str:
    missing = [name for name in REQUIRED if not _places(names, name)]
    found = ", ".join(repr(name[:SHOWN]) for name in names[:NAMES_SHOWN])
    more = " and more" if names[NAMES_SHOWN:] else ""
    bare = [name for name in names if _plain(name) in QUANTITIES]
    hint = f"; {bare[0]!r} lacks its unit: call it {QUANTITIES[_plain(bare[0])]}" if bare else ""
    is_or_are = "is" if len(missing) == 1 else "are"
    return (
        f"the first line must name {COLUMNS}; {', '.join(missing)} {is_or_are} missing, it has "
        f"{found}{more}{hint}"
    )


def _factor(unit: str) -> str:
    if unit in TO_MS_CM:
        factor = TO_MS_CM[unit]
        by = f"times {factor:g}" if factor > 1.0 else f"divided by {1.0 / factor:g}"
        return f"{unit.replace('uS', 'µS')}, {by} for mS/cm"
    return {"degF": "°F, converted to °C", "K": "kelvin, converted to °C"}[unit]
