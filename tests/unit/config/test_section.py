"""A section reads itself from a table: strictly, with defaults, and with every fault at once."""

from __future__ import annotations

from dataclasses import FrozenInstanceError
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any, Literal

import pytest

from daemon.config.fields import FilePath, number, text, whole, yes_or_no
from daemon.config.section import Section, declare
from daemon.config.values import Around, CheckedIn, Converted, FaultKind, Place, RefusedError


def _upper(value: object) -> object:
    return value.upper() if isinstance(value, str) else value


def _after_grams(value: str, around: Around) -> str:
    if "grams" not in around.before:
        raise ValueError("it stands beside no grams")
    return value


class Scoop(Section):
    """Something that is weighed."""

    grams: float = number(0, 100, "g")
    lot: Annotated[str, Converted(_upper), CheckedIn(_after_grams)] = text("a lot", "NONE", 8)
    grade: Literal[1, 2] = declare("1 or 2", 1)


class Shelf(Section):
    """A table with all kinds of keys."""

    name: str = declare("a short name", pattern="[a-z]+")
    height: int = whole(1, 9, "steps", 3)
    dry: bool = yes_or_no(default=True)
    since: datetime | None = declare("a time with its zone", None)
    label: FilePath | None = declare("a path", None)
    range_C: tuple[float, float] = declare("two numbers", (0.0, 40.0))
    scoops: tuple[Scoop, ...] = declare("scoops", (), spelled="scoop")
    deepest: int = declare("a depth", derived=lambda given: 2 * given["height"])


class AnyShelf(Shelf):
    """One that may have keys that nobody knows."""

    others_pass = True


def faults(table: dict[str, Any], section: type[Section] = Shelf) -> dict[Place, str]:
    """What is wrong with a table: the kind, or the reason where there is one, by place."""
    with pytest.raises(RefusedError) as caught:
        section.read(table)
    return {each.place: each.why or each.kind.name for each in caught.value.faults}


def test_a_table_gives_values_of_their_types_and_defaults() -> None:
    """A whole number may stand for a number, a list for a row, and the default may follow."""
    at = datetime(2026, 3, 2, tzinfo=UTC)
    found = Shelf.read(
        {"name": "top", "height": 4, "since": at, "label": "x.txt", "range_C": [1, 2.5]}
        | {"scoop": [{"grams": 5, "lot": "blue"}]},
        Path("/etc/shelf"),
    )

    assert (
        Shelf(
            name="top",
            height=4,
            since=at,
            label=Path("/etc/shelf/x.txt"),
            range_C=(1.0, 2.5),
            scoops=(Scoop(grams=5.0, lot="BLUE", grade=1),),
            deepest=8,
        )
        == found
    )
    assert float is type(found.scoops[0].grams)
    with pytest.raises(FrozenInstanceError):
        found.height = 5  # type: ignore[misc]


def test_every_fault_is_found_with_its_place() -> None:
    """What is missing, unknown, of another type or beyond a limit, in tables within, too."""
    table = {
        "height": 10,
        "dry": 1,
        "since": datetime(2026, 3, 2),  # noqa: DTZ001 - a zone is what it lacks
        "label": "",
        "range_C": [1.0],
        "scoop": [{"grams": 5}, {"grams": float("nan"), "lot": "blue", "grade": 1.0, "hue": 3}],
        "deepest": "x",
    }

    assert {
        ("name",): "MISSING",
        ("height",): "REFUSED",
        ("dry",): "REFUSED",
        ("since",): "REFUSED",
        ("label",): "REFUSED",
        ("range_C", 1): "MISSING",
        ("scoop", 1, "grams"): "REFUSED",
        ("scoop", 1, "lot"): "it stands beside no grams",
        ("scoop", 1, "grade"): "REFUSED",
        ("scoop", 1, "hue"): "UNKNOWN",
        ("deepest",): "REFUSED",
    } == faults(table)


@pytest.mark.parametrize(
    "value", [True, "5", None, [], {}, 100.1, -0.1, float("inf"), 10**400], ids=repr
)
def test_nothing_is_taken_for_a_number_that_is_none(value: object) -> None:
    """Nor one beyond its limits."""
    assert {("grams",): "REFUSED"} == faults({"grams": value}, Scoop)


@pytest.mark.parametrize("name", ["", "Top", "top\n", "to p", 3])
def test_a_pattern_is_of_the_whole_text(name: object) -> None:
    """A line's end after it is a fault as well."""
    assert {("name",): "REFUSED"} == faults({"name": name})


def test_a_fault_says_what_is_allowed_or_known() -> None:
    """The innermost key that is known says so, and for one that is not the keys of its table."""
    with pytest.raises(RefusedError) as caught:
        Shelf.read({"name": "a", "range_C": [1, "x"], "scoop": [{"grams": 1, "hue": 1}], "hue": 2})
    row, inner, outer = caught.value.faults

    assert ("two numbers", "x") == (row.allowed, row.value)
    assert [FaultKind.UNKNOWN] * 2 == [inner.kind, outer.kind]
    assert ("grams", "lot", "grade") == inner.known
    assert "scoop" in outer.known


def test_a_section_may_pass_over_what_it_does_not_know() -> None:
    """Its own keys are checked all the same."""
    assert "a" == AnyShelf.read({"name": "a", "hue": 2}).name
    assert {("height",): "REFUSED"} == faults({"name": "a", "hue": 2, "height": 0}, AnyShelf)
