"""Dataclasses of plain data as JSON, and back, by their types.

What is stored may be of another version: members that are not known are passed over, and those
that are missing have their defaults.
"""

# ruff: noqa: ANN401 - of any type

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import MISSING, fields, is_dataclass
from datetime import datetime
from enum import Enum
from functools import cache
from types import NoneType, UnionType
from typing import Any, Literal, TypeAlias, Union, get_args, get_origin, get_type_hints

Reader: TypeAlias = Callable[[Any], Any]


class MisfitError(ValueError):
    """What is stored is not of the type that it is to be."""


def to_json(value: Any) -> str:
    """Return a dataclass as JSON, on one line: numbers, texts, times, lists and dataclasses."""
    return json.dumps(value, default=_members, separators=(",", ":"), ensure_ascii=False)


def from_plain(kind: Any, plain: Any) -> Any:
    """Return the value of a type that JSON holds.

    Args:
        kind: The type, such as a dataclass or a list of them.
        plain: As `json.loads` has it.

    Raises:
        MisfitError: It is of another type, or lacks what has no default.
    """
    return reader_of(kind)(plain)


@cache
def reader_of(kind: Any) -> Reader:
    """Return what takes a value of JSON for a type, or raises `MisfitError`."""
    origin, inner = get_origin(kind), get_args(kind)
    if origin is Literal:
        return lambda plain: _fitting(plain, plain in inner)
    if origin in (Union, UnionType):
        (only,) = (reader_of(each) for each in inner if each is not NoneType)
        return lambda plain: None if plain is None else only(plain)
    if origin is not None:
        return _holder_reader(origin, inner)
    return _dataclass_reader(kind) if is_dataclass(kind) else _class_reader(kind)


def _holder_reader(origin: Any, inner: tuple[Any, ...]) -> Reader:
    """Return the reader of a list, a row of values or an object with members of one type."""
    if origin is dict:
        part = reader_of(inner[1])
        return lambda plain: {name: part(value) for name, value in _object(plain).items()}
    if origin is tuple and inner[-1] is not Ellipsis:
        return _row_reader([reader_of(each) for each in inner])
    each = reader_of(inner[0])
    return lambda plain: origin(map(each, _fitting(plain, isinstance(plain, list))))


def _dataclass_reader(kind: Any) -> Reader:
    hints = get_type_hints(kind)
    members = [(each.name, reader_of(hints[each.name])) for each in fields(kind)]
    needed = {
        each.name
        for each in fields(kind)
        if each.default is MISSING and each.default_factory is MISSING
    }

    def read(plain: Any) -> Any:
        there = _object(plain)
        _fitting(plain, needed <= there.keys())
        return kind(**{name: one(there[name]) for name, one in members if name in there})

    return read


def _row_reader(readers: list[Reader]) -> Reader:
    def read(plain: Any) -> tuple[Any, ...]:
        _fitting(plain, isinstance(plain, list) and len(plain) == len(readers))
        return tuple(one(each) for one, each in zip(readers, plain, strict=True))

    return read


def _class_reader(kind: Any) -> Reader:
    if kind is datetime:
        return lambda plain: datetime.fromisoformat(_fitting(plain, isinstance(plain, str)))
    if issubclass(kind, Enum):
        member: Reader = kind
        return member
    if kind is float:
        return lambda plain: float(_fitting(plain, type(plain) in (int, float)))
    return lambda plain: _fitting(plain, type(plain) is kind)


def _object(plain: Any) -> dict[str, Any]:
    found: dict[str, Any] = _fitting(plain, isinstance(plain, dict))
    return found


def _fitting(plain: Any, fits: bool) -> Any:  # noqa: FBT001 - of the value beside it
    if not fits:
        raise MisfitError(f"{str(plain)[:40]!r} is of another type")
    return plain


def _members(value: Any) -> Any:
    """Return what JSON has of what it does not know itself."""
    if isinstance(value, datetime):
        return value.isoformat()
    if isinstance(value, Enum):
        return value.value
    kind: Any = type(value)
    return {name: getattr(value, name) for name in _names(kind)}


@cache
def _names(kind: Any) -> tuple[str, ...]:
    return tuple(each.name for each in fields(kind))
