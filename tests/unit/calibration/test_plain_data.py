"""Dataclasses of plain data as JSON and back: by their types, and what is unknown passed over."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from datetime import UTC, datetime
from enum import IntEnum, StrEnum
from typing import Any, Literal

import pytest

from calibration.plain_data import MisfitError, from_plain, to_json


class Colour(StrEnum):
    """A word."""

    BLUE = "blue"


class Grade(IntEnum):
    """A number."""

    FINE = 2


@dataclass(frozen=True, slots=True)
class Grain:
    """The innermost one."""

    size_mm: float
    colour: Colour = Colour.BLUE


@dataclass(slots=True)
class Sack:
    """One with everything that may be stored."""

    name: str
    opened_at: datetime | None = None
    grade: Grade = Grade.FINE
    count: int = 0
    dry: bool = False
    grains: list[Grain] = field(default_factory=list)
    row: tuple[float, str] = (0.0, "")
    words: tuple[str, ...] = ()
    by_name: dict[str, Grain | None] = field(default_factory=dict)
    kind: Literal["sack"] = "sack"


FULL = Sack(
    "Lot é",
    datetime(2026, 3, 2, 8, 30, 0, 250, tzinfo=UTC),
    Grade.FINE,
    3,
    True,
    [Grain(0.1 + 0.2), Grain(5e-324)],
    (1.5, "x"),
    ("a", "b"),
    {"one": Grain(2.0), "none": None},
)


@pytest.mark.parametrize("sack", [FULL, Sack("")], ids=["full", "empty"])
def test_what_is_written_comes_back_the_same(sack: Sack) -> None:
    """Every number to its last bit, on one line."""
    text = to_json(sack)

    assert "\n" not in text
    assert sack == from_plain(Sack, json.loads(text))
    assert text == to_json(from_plain(Sack, json.loads(text)))


def test_another_version_s_members_are_passed_over_or_have_their_defaults() -> None:
    """At any depth; a whole number is read as the number that it is to be."""
    stored = {"name": "x", "hue": 3, "grains": [{"size_mm": 1, "hue": 4}]}
    found = from_plain(Sack, stored)

    assert Sack("x", grains=[Grain(1.0)]) == found
    assert float is type(found.grains[0].size_mm)


@pytest.mark.parametrize(
    "more",
    [
        {"name": None},
        {"opened_at": "yesterday"},
        {"opened_at": 3},
        {"grade": 7},
        {"count": 1.5},
        {"count": True},
        {"dry": 1},
        {"grains": {}},
        {"grains": [{}]},
        {"grains": [{"size_mm": None}]},
        {"grains": [{"size_mm": True}]},
        {"grains": [{"size_mm": 1.0, "colour": "red"}]},
        {"row": [1.0]},
        {"row": [1.0, "x", "y"]},
        {"words": "ab"},
        {"by_name": []},
        {"kind": "bag"},
    ],
    ids=str,
)
def test_what_is_of_another_type_is_refused(more: dict[str, Any]) -> None:
    """It is never taken for something else."""
    with pytest.raises(ValueError, match=r"type|Grade|Colour|isoformat"):
        from_plain(Sack, {"name": "x"} | more)


@pytest.mark.parametrize("plain", [None, [], "x", {}], ids=repr)
def test_what_is_no_object_or_lacks_what_it_needs_is_refused(plain: object) -> None:
    """Of the very type of error that says so."""
    with pytest.raises(MisfitError):
        from_plain(Sack, plain)
