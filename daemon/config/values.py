"""From a value of the file to one of a type: strictly, and with the reason where it is refused."""

# ruff: noqa: ANN401 - what a file holds may be anything

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from enum import Enum, auto
from pathlib import Path
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, TypeAlias, Union, get_args, get_origin

from daemon.errors import BrinewrightError

Place: TypeAlias = tuple[str | int, ...]


class FaultKind(Enum):
    """What is wrong with a key."""

    MISSING = auto()
    UNKNOWN = auto()
    REFUSED = auto()


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault of a table.

    Attributes:
        kind: What is wrong.
        value: That stands there.
        place: Where, from the table that was read.
        allowed: What may stand there, in words; empty where the key itself is not known.
        why: Why it is refused, where more than its type and limits say so.
        known: The keys of that table.
    """

    kind: FaultKind
    value: object
    place: Place = ()
    allowed: str = ""
    why: str = ""
    known: tuple[str, ...] = ()

    def below(self, part: str | int, allowed: str = "") -> Fault:
        """Return it as a fault of the table or list that holds its own under `part`."""
        return replace(self, place=(part, *self.place), allowed=self.allowed or allowed)


class RefusedError(BrinewrightError, ValueError):
    """A value of the file cannot be used.

    Attributes:
        faults: All of them.
    """

    def __init__(self, faults: list[Fault]) -> None:
        """Keep them."""
        super().__init__(*(f"{each.place}: {each.why or each.allowed}" for each in faults))
        self.faults = faults


@dataclass(frozen=True, slots=True)
class Around:
    """What stands around a value.

    Attributes:
        folder: Of the file.
        drivers: Sections of the drivers there are, by name; None where they are not known.
        before: The keys before it in the same table that are right, by name.
    """

    folder: Path = field(default_factory=Path)
    drivers: Mapping[str, Any] | None = None
    before: Mapping[str, Any] = field(default_factory=dict)


Reader: TypeAlias = Callable[[Any, Around], Any]


@dataclass(frozen=True, slots=True)
class Converted:
    """A step beside a type, before it: returns a value in the place of what the file has."""

    function: Callable[[Any], Any]

    def around(self, read: Reader) -> Reader:
        """Return the reader with this step."""
        return lambda value, around: read(_tried(self.function, value, value), around)


@dataclass(frozen=True, slots=True)
class ConvertedIn:
    """As `Converted`, by what stands around the value."""

    function: Callable[[Any, Around], Any]

    def around(self, read: Reader) -> Reader:
        """Return the reader with this step."""
        return lambda value, around: read(self.function(value, around), around)


@dataclass(frozen=True, slots=True)
class Checked:
    """A step beside a type, after it: returns the value, or raises `ValueError` with a reason."""

    function: Callable[[Any], Any]

    def around(self, read: Reader) -> Reader:
        """Return the reader with this step."""
        return lambda value, around: _tried(self.function, read(value, around), value)


@dataclass(frozen=True, slots=True)
class CheckedIn:
    """As `Checked`, by what stands around the value."""

    function: Callable[[Any, Around], Any]

    def around(self, read: Reader) -> Reader:
        """Return the reader with this step."""

        def checked(value: Any, around: Around) -> Any:
            found = read(value, around)
            return _tried(lambda each: self.function(each, around), found, value)

        return checked


@dataclass(frozen=True, slots=True)
class ChosenBy:
    """A step beside the type of a section: which section a table is, by what it holds."""

    function: Callable[[Any, Mapping[str, Any] | None], Any]

    def around(self, _read: Reader) -> Reader:
        """Return the reader of the section that is chosen."""
        return lambda value, around: _section(self.function(value, around.drivers), value, around)


def reader_of(hint: Any, within: Callable[[Any], bool] = lambda _: True) -> Reader:
    """Return what takes a value of the file for a type, or raises `RefusedError`.

    Args:
        hint: The type, with the steps beside it.
        within: Says whether a text or number of that type is within its limits.
    """
    origin, inner = get_origin(hint), get_args(hint)
    if origin is Annotated:
        read = reader_of(inner[0], within)
        for step in inner[1:]:
            read = step.around(read)
        return read
    if origin is Literal:
        return lambda value, _: _of(value, (type(value), value) in [(type(x), x) for x in inner])
    if origin in (Union, UnionType):
        (only,) = (each for each in inner if each is not NoneType)
        one = reader_of(only, within)
        return lambda value, around: None if value is None else one(value, around)
    if origin is tuple:
        return _list_reader(inner)
    if hasattr(hint, "read_within"):
        return lambda value, around: _section(hint, value, around)
    plain = _PLAIN[hint]

    def limited(value: Any, around: Around) -> Any:
        found = plain(value, around)
        _of(value, within(found))
        return found

    return limited


def _list_reader(inner: tuple[Any, ...]) -> Reader:
    """Return the reader of a list, of any length or of one value a type."""
    each_alike = len(inner) == 2 and inner[1] is Ellipsis  # noqa: PLR2004
    readers = [reader_of(each) for each in inner if each is not Ellipsis]

    def read(value: Any, around: Around) -> tuple[Any, ...]:
        _of(value, isinstance(value, list | tuple))
        use = readers * len(value) if each_alike else readers
        found, faults = [], []
        for number, (part, one) in enumerate(zip(value, use, strict=False)):
            try:
                found.append(one(part, around))
            except RefusedError as exc:
                faults += [fault.below(number) for fault in exc.faults]
        for number in range(len(value), len(use)):
            faults.append(Fault(FaultKind.MISSING, value, (number,)))
        if len(value) > len(use):
            faults.append(Fault(FaultKind.REFUSED, value))
        if faults:
            raise RefusedError(faults)
        return tuple(found)

    return read


def _section(section: Any, value: Any, around: Around) -> Any:
    _of(value, isinstance(value, Mapping))
    return section.read_within(value, around)


def _float(value: Any, _: Around) -> float:
    try:
        return float(_of(value, _number(value) and math.isfinite(value)))
    except OverflowError:
        raise RefusedError([Fault(FaultKind.REFUSED, value)]) from None


def _number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


_PLAIN: dict[Any, Reader] = {
    float: _float,
    int: lambda value, _: _of(value, isinstance(value, int) and not isinstance(value, bool)),
    str: lambda value, _: _of(value, isinstance(value, str)),
    bool: lambda value, _: _of(value, isinstance(value, bool)),
    Path: lambda value, _: _of(value, isinstance(value, Path)),
    datetime: lambda value, _: _of(value, isinstance(value, datetime) and value.tzinfo is not None),
}


def _of(value: Any, fits: bool) -> Any:  # noqa: FBT001 - of the value beside it
    if not fits:
        raise RefusedError([Fault(FaultKind.REFUSED, value)])
    return value


def _tried(function: Callable[[Any], Any], value: Any, given: Any) -> Any:
    """Return what a step makes of a value; its reason becomes that of the fault."""
    try:
        return function(value)
    except RefusedError:
        raise
    except ValueError as exc:
        raise RefusedError([Fault(FaultKind.REFUSED, given, why=str(exc))]) from exc
