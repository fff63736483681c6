"""A section of the file: a frozen dataclass that reads itself from a table, with every fault.

What a key may hold follows from its type, its limits and the steps beside its type
(`Annotated[str, Checked(...)]`).  Nothing is converted silently: a text is no number.
"""

# ruff: noqa: ANN401 - what a file holds may be anything

from __future__ import annotations

import dataclasses
import re
from collections.abc import Callable, Mapping
from dataclasses import MISSING, dataclass, field
from functools import cache
from pathlib import Path
from typing import Any, ClassVar, Self, dataclass_transform, get_type_hints

from daemon.config.values import Around, Fault, FaultKind, RefusedError, reader_of


@dataclass(frozen=True, slots=True)
class Declared:
    """What the declaration of a key says besides its type.

    Attributes:
        allowed: In words, for who gave something else.
        spelled: As the file has it; None for the name in the section.
        derived: Makes the default from the keys before it.
        low: Least number, itself allowed; None for any.
        high: Largest one, likewise.
        shortest: Least number of signs.
        longest: Most of them; None for any.
        pattern: Regular expression of a whole text; None for any.
    """

    allowed: str
    spelled: str | None = None
    derived: Callable[[dict[str, Any]], Any] | None = None
    low: float | None = None
    high: float | None = None
    shortest: int = 0
    longest: int | None = None
    pattern: str | None = None

    def within(self, value: Any) -> bool:
        """Say whether a value of the right type is within the limits."""
        if isinstance(value, str):
            long = self.longest is not None and len(value) > self.longest
            fits = self.pattern is None or re.fullmatch(self.pattern, value)
            return len(value) >= self.shortest and not long and bool(fits)
        if isinstance(value, int | float):
            low, high = self.low, self.high
            return (low is None or value >= low) and (high is None or value <= high)
        return True


@dataclass(frozen=True, slots=True)
class Key:
    """One key of a section.

    Attributes:
        name: In the section.
        declared: What its declaration says.
        hint: Its type, with the steps beside it.
        default: Where the file does not have it; `dataclasses.MISSING` for none.
        read: Takes a value of the file for it, or raises.
    """

    name: str
    declared: Declared
    hint: Any
    default: Any
    read: Callable[[Any, Around], Any]

    @property
    def spelled(self) -> str:
        """As the file has it."""
        return self.declared.spelled or self.name

    @property
    def needed(self) -> bool:
        """Whether the file must have it."""
        return self.default is MISSING and self.declared.derived is None


def declare(
    allowed: str,
    default: Any = MISSING,
    *,
    derived: Callable[[dict[str, Any]], Any] | None = None,
    spelled: str | None = None,
    pattern: str | None = None,
    **limits: Any,
) -> Any:
    """Declare a key.

    Args:
        allowed: What it may hold, in words.
        default: Where the file does not have it; nothing for a key that it must have.
        derived: Makes the default from the keys before it, by name.
        spelled: As the file has it, where that is not the name in the section.
        pattern: Regular expression of the whole text.
        limits: The others of `Declared`.
    """
    declared = Declared(allowed, spelled, derived, pattern=pattern, **limits)
    return field(default=default, metadata={"declared": declared})


@dataclass_transform(kw_only_default=True, frozen_default=True)
@dataclass(frozen=True, kw_only=True)
class Section:
    """A table of the file: frozen, no unknown keys, no silent conversions."""

    others_pass: ClassVar[bool] = False
    """Whether keys that are not known are passed over."""

    def __init_subclass__(cls) -> None:
        """Make each section a dataclass, whose fields are its keys."""
        dataclass(frozen=True, kw_only=True)(cls)

    @classmethod
    def every_key(cls) -> tuple[Key, ...]:
        """Return its keys, in the order of their declaration."""
        hashable: Any = cls
        return _keys(hashable)

    @classmethod
    def allowed(cls, name: str) -> str:
        """Return in words what a key may hold."""
        return next(each.declared.allowed for each in cls.every_key() if each.name == name)

    @classmethod
    def read(cls, table: Mapping[str, Any], folder: Path = Path(), drivers: Any = None) -> Self:
        """Return the section that a table is.

        Args:
            table: As the file has it.
            folder: That relative paths begin at.
            drivers: As `daemon.config.load` takes them.

        Raises:
            RefusedError: Anything in it is wrong; all at once.
        """
        return cls.read_within(table, Around(folder, drivers))

    @classmethod
    def read_within(cls, table: Mapping[str, Any], around: Around) -> Self:
        """Return the section that a table of a larger one is; see `read`."""
        left, values, faults = dict(table), dict[str, Any](), list[Fault]()
        around = dataclasses.replace(around, before=values)
        for each in cls.every_key():
            if each.spelled in left:
                value = left.pop(each.spelled)
                try:
                    values[each.name] = each.read(value, around)
                except RefusedError as exc:
                    allowed = each.declared.allowed
                    faults += [fault.below(each.spelled, allowed) for fault in exc.faults]
            elif each.default is not MISSING:
                values[each.name] = each.default
            elif each.declared.derived is None:
                allowed = each.declared.allowed
                faults.append(Fault(FaultKind.MISSING, table, (each.spelled,), allowed))
            elif not faults:
                values[each.name] = each.declared.derived(values)
        if not cls.others_pass:
            known = tuple(each.spelled for each in cls.every_key())
            faults += [
                Fault(FaultKind.UNKNOWN, value, (name,), known=known)
                for name, value in left.items()
            ]
        if faults:
            raise RefusedError(faults)
        return cls(**values)


@cache
def _keys(section: Any) -> tuple[Key, ...]:
    hints = get_type_hints(section, include_extras=True)
    return tuple(_key(each, hints[each.name]) for each in dataclasses.fields(section))


def _key(one: dataclasses.Field[Any], hint: Any) -> Key:
    declared: Declared = one.metadata["declared"]
    return Key(one.name, declared, hint, one.default, reader_of(hint, declared.within))
