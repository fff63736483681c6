"""Events become JSON and come back as they were, whatever they say."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any, Literal, get_args, get_origin

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.entries import JSON, Kind
from daemon.journal.event_codec import SHAPES, body_of, facts_of
from daemon.journal.shapes import Slot, slots_of
from daemon.mixing.events import OtherEvent

FINITE = st.floats(allow_nan=False, allow_infinity=False)
FACTS: st.SearchStrategy[dict[str, JSON]] = st.dictionaries(
    st.text("xyz", min_size=1, max_size=4), st.none() | st.booleans() | FINITE | st.text(max_size=5)
)
"""None of their names is that of a field."""


def values(slot: Slot) -> st.SearchStrategy[Any]:
    """Values that a field may have."""
    origin, inner = get_origin(slot.hint), get_args(slot.hint)
    if origin is Literal:
        return st.sampled_from(inner)
    if origin is Mapping or (isinstance(origin, type) and issubclass(origin, Mapping)):
        return FACTS
    if float in (slot.hint, *inner):
        number = FINITE
        return number | st.none() if type(None) in inner else number
    # What is no number is unlike itself, wherever it stands.
    return st.from_type(slot.hint).filter(lambda value: "nan" not in repr(value))


@st.composite
def bodies(draw: st.DrawFn) -> Any:  # noqa: ANN401 - any of the shapes
    """Any event that this version writes."""
    shape = draw(st.sampled_from(SHAPES))
    fields = [slot for slot in slots_of(shape) if slot.constant is None]
    return shape(**{slot.name: draw(values(slot)) for slot in fields})


@given(bodies())
def test_an_event_comes_back_from_json_as_it_was(body: Any) -> None:  # noqa: ANN401 - as above
    """Also through text, and with the kind that it had."""
    facts = json.loads(json.dumps(facts_of(body)))

    assert body == body_of(body.kind, facts)


@given(st.sampled_from(Kind), FACTS)
def test_facts_of_another_version_come_back_untouched(kind: Kind, facts: dict[str, JSON]) -> None:
    """What no shape fits keeps its kind and its facts."""
    body = body_of(kind, facts)

    assert OtherEvent(kind, facts) == body
    assert facts == facts_of(body)


@pytest.mark.parametrize("shape", SHAPES)
def test_a_shape_is_reported_from_every_other_one_of_its_kind(shape: type[Any]) -> None:
    """By a constant, or by a field that each needs and the other has not."""
    alike = [
        other
        for other in SHAPES
        if other.kind is shape.kind
        and constants(other) == constants(shape)
        and (other is shape or not (needs(shape, beside=other) and needs(other, beside=shape)))
    ]

    assert [shape] == alike


def needs(shape: type[Any], beside: type[Any]) -> set[str]:
    """The fields that an event of a shape must have, and one of the other cannot."""
    must = {slot.name for slot in slots_of(shape) if slot.required}
    return must - {slot.name for slot in slots_of(beside)}


def constants(shape: type[Any]) -> list[tuple[str, Any]]:
    """What tells a shape from others: its constants and the words that a field may be."""
    return [
        (slot.name, slot.constant or get_args(slot.hint))
        for slot in slots_of(shape)
        if slot.constant is not None or get_origin(slot.hint) is Literal
    ]
