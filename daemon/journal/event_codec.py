"""The one place where events become JSON, and JSON becomes events again.

The fields of a shape in `daemon.mixing` are the facts of its JSON, in their order.  What fits
no shape of this version, as another version may have written it, comes back as `OtherEvent`
with its facts untouched, so that nothing in a journal is ever lost by reading it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import MISSING, Field, dataclass, fields
from enum import Enum
from functools import cache
from types import NoneType, UnionType
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

from daemon.entries import JSON, Body, Kind
from daemon.errors import BrinewrightError
from daemon.mixing import events, probe_events, service_events
from daemon.mixing.events import OtherEvent

SHAPES: tuple[type[Any], ...] = (
    events.PhaseChanged,
    events.SalinityStabilised,
    events.WaterDisturbed,
    events.ForecastMade,
    events.AdviceGiven,
    events.AlarmChanged,
    events.CommandAnswered,
    events.BatchBegan,
    events.BatchEnded,
    events.SaltContentLearned,
    probe_events.ProbeWorks,
    probe_events.ProbeFails,
    probe_events.ZeroOff,
    probe_events.ZeroRight,
    probe_events.HealthChanged,
    probe_events.RoutineSpoke,
    probe_events.PointCaptured,
    probe_events.CalibrationJudged,
    probe_events.RecordSaved,
    probe_events.CalibrationSettled,
    probe_events.CalibrationReverted,
    probe_events.RoutineLost,
    probe_events.ProbeReturned,
    service_events.MeasuringBegan,
    service_events.MeasuringEnded,
    service_events.AlarmFloodChanged,
    service_events.EntryDamaged,
    service_events.EntriesLost,
    service_events.JournalFull,
    service_events.JournalCutOff,
    service_events.JournalReplaced,
    service_events.JournalSalvaged,
    service_events.JournalRestored,
    service_events.InboxMoved,
    service_events.InboxReplaced,
)
"""Every shape of an event that this version writes."""


class _MisfitError(BrinewrightError):
    """Facts are not those of the shape that was tried."""


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


def facts_of(body: Body) -> dict[str, JSON]:
    """Return the facts of an event as JSON has them.

    Args:
        body: What happened: one of `SHAPES`, or `OtherEvent`.
    """
    if isinstance(body, OtherEvent):
        return dict(body.facts)
    facts: dict[str, JSON] = {}
    for slot in slots_of(type(body)):
        value = getattr(body, slot.name)
        if slot.beside:
            facts |= value
        elif not (slot.optional and value == slot.default):
            facts[slot.key] = _plain(value)
    return facts


def body_of(kind: Kind, facts: Mapping[str, JSON]) -> Body:
    """Return what happened, of the facts that JSON has of it.

    Args:
        kind: Of the event.
        facts: As `facts_of` gave them, in this version or in another.
    """
    for shape in shapes_of(kind):
        try:
            return _build(shape, facts)
        except _MisfitError:
            continue
    return OtherEvent(kind, facts)


def _build(shape: type[Any], facts: Mapping[str, JSON]) -> Body:
    left = dict(facts)
    values: dict[str, Any] = {}
    rest = ""
    for slot in slots_of(shape):
        if slot.beside:
            rest = slot.name
            continue
        if slot.key not in left:
            if slot.required:
                raise _MisfitError
            continue
        value = slot.read(left.pop(slot.key))
        if slot.constant is None:
            values[slot.name] = value
    if rest:
        values[rest] = left
    elif left:
        raise _MisfitError
    found: Body = shape(**values)
    return found


@cache
def shapes_of(kind: Kind) -> tuple[type[Any], ...]:
    """Return the shapes of a kind."""
    return tuple(shape for shape in SHAPES if shape.kind is kind)


def slots_of(shape: type[Any]) -> tuple[Slot, ...]:
    """Return the constants and fields of a shape, in the order of its JSON."""
    return _all_slots()[shape]


@cache
def _all_slots() -> dict[type[Any], tuple[Slot, ...]]:
    return {shape: _slots(shape) for shape in SHAPES}


def _slots(shape: type[Any]) -> tuple[Slot, ...]:
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
    """Return what takes a value of JSON for a field of this type, or raises `_MisfitError`."""
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
        return lambda value: _of(value, isinstance(value, dict))
    if issubclass(hint, Enum):
        return lambda value: hint(_of(value, value in {each.value for each in hint}))
    wanted = (int, float) if hint is float else (hint,)
    number = hint in (int, float)
    return lambda value: _of(
        value, isinstance(value, wanted) and not (number and isinstance(value, bool))
    )


def _of(value: Any, fits: bool) -> Any:  # noqa: ANN401, FBT001 - a value as JSON has it
    if not fits:
        raise _MisfitError
    return value


def _plain(value: Any) -> JSON:  # noqa: ANN401 - whatever a field holds
    if isinstance(value, Enum):
        return str(value)
    if isinstance(value, tuple):
        return [_plain(each) for each in value]
    if isinstance(value, Mapping):
        return dict(value)
    found: JSON = value
    return found
