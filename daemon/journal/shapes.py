"""From the frozen shapes of `daemon.mixing` to objects of JSON, and back.

The fields of a shape are the members of its object, in their order; metadata of a field may
give it another name, leave it out where it has its default, or put its members beside the rest.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import MISSING, Field, dataclass, fields, is_dataclass
from enum import Enum
from functools import cache
from types import NoneType, UnionType
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

from daemon.entries import JSON
from daemon.errors import BrinewrightError


class MisfitError(BrinewrightError):
    """An object is not of the shape that was tried."""


@dataclass(frozen=True, slots=True)
class Slot:
    """One constant or field of a shape, as JSON has it.

    Attributes:
        name: In the shape.
        key: In JSON.
        hint: Its type.
        read: Takes a value of JSON for it, or raises.
        constant: What tells the shape from others; None for a field.
        optional: Whether JSON leaves it out where it has its default.
        beside: Whether it is a mapping whose members stand beside the other facts.
        required: Whether the field has no default.
        default: Of the field.
    """

    name: str
    key: str
    hint: Any
    read: Callable[[Any], Any]
    constant: str | None = None
    optional: bool = False
    beside: bool = False
    required: bool = False
    default: Any = None


def to_object(value: Any) -> dict[str, JSON]:  # noqa: ANN401 - any shape
    """Return a shape as the object that JSON has of it."""
    found: dict[str, JSON] = {}
    for slot in slots_of(type(value)):
        part = getattr(value, slot.name)
        if slot.beside:
            found |= part
        elif not (slot.optional and part == slot.default):
            found[slot.key] = _plain(part)
    return found


def from_object(shape: Any, found: Mapping[str, JSON]) -> Any:  # noqa: ANN401 - of any shape
    """Return the shape that an object is of.

    Raises:
        MisfitError: It lacks a member, has one too many, or one of another type.
    """
    left = dict(found)
    values: dict[str, Any] = {}
    rest = ""
    for slot in slots_of(shape):
        if slot.beside:
            rest = slot.name
        elif slot.key in left:
            value = slot.read(left.pop(slot.key))
            if slot.constant is None:
                values[slot.name] = value
        elif slot.required:
            raise MisfitError(slot.key)
    if rest:
        values[rest] = left
    elif left:
        raise MisfitError(next(iter(left)))
    return shape(**values)


def slots_of(shape: type[Any]) -> tuple[Slot, ...]:
    """Return the constants and fields of a shape, in the order of its object."""
    key: Any = shape
    return _slots(key)


@cache
def _slots(shape: Any) -> tuple[Slot, ...]:  # noqa: ANN401 - any shape
    hints = get_type_hints(shape)
    by_name = {each.name: each for each in fields(shape)}
    return tuple(
        _slot(by_name[name], hint) if name in by_name else _constant(name, getattr(shape, name))
        for name, hint in hints.items()
        if name != "kind"
    )


def _constant(name: str, value: str) -> Slot:
    return Slot(
        name, name, str, lambda found: _of(found, found == value), constant=value, required=True
    )


def _slot(each: Field[Any], hint: Any) -> Slot:  # noqa: ANN401 - a type as `typing` has it
    return Slot(
        each.name,
        each.metadata.get("name", each.name),
        hint,
        _reader_of(hint),
        optional=each.metadata.get("optional", False),
        beside=each.metadata.get("beside", False),
        required=each.default is MISSING and each.default_factory is MISSING,
        default=each.default if each.default_factory is MISSING else each.default_factory(),
    )


def _reader_of(hint: Any) -> Callable[[Any], Any]:  # noqa: ANN401 - a type as `typing` has it
    """Return what takes a value of JSON for a field of this type, or raises `MisfitError`."""
    origin, inner = get_origin(hint), get_args(hint)
    if origin is Literal:
        return lambda value: _of(value, value in inner)
    if origin in (Union, UnionType):
        (only,) = (each for each in inner if each is not NoneType)
        read = _reader_of(only)
        return lambda value: None if value is None else read(value)
    if origin is tuple:
        read = _reader_of(inner[0])
        return lambda value: tuple(map(read, _of(value, isinstance(value, list))))
    if isinstance(origin, type) and issubclass(origin, Mapping):
        return _mapping_reader(inner[1])
    return _plain_reader(hint)


def _plain_reader(hint: Any) -> Callable[[Any], Any]:  # noqa: ANN401 - a class
    if is_dataclass(hint):
        return lambda value: from_object(hint, _of(value, isinstance(value, dict)))
    if issubclass(hint, Enum):
        return lambda value: hint(_of(value, value in [each.value for each in hint]))
    wanted = (int, float) if hint is float else (hint,)
    number = hint in (int, float)
    return lambda value: _of(
        value, isinstance(value, wanted) and not (number and isinstance(value, bool))
    )


def _mapping_reader(hint: Any) -> Callable[[Any], Any]:  # noqa: ANN401 - as above
    if hint is str or is_dataclass(hint):
        read = _reader_of(hint)
        return lambda value: {
            name: read(each) for name, each in _of(value, isinstance(value, dict)).items()
        }
    return lambda value: _of(value, isinstance(value, dict))


def _of(value: Any, fits: bool) -> Any:  # noqa: ANN401, FBT001 - a value as JSON has it
    if not fits:
        raise MisfitError(str(value)[:40])
    return value


def _plain(value: Any) -> JSON:  # noqa: ANN401 - whatever a field holds
    if isinstance(value, Enum):
        return str(value)
    if isinstance(value, tuple):
        return [_plain(each) for each in value]
    if isinstance(value, Mapping):
        return {name: _plain(each) for name, each in value.items()}
    if is_dataclass(value):
        return to_object(value)
    found: JSON = value
    return found
