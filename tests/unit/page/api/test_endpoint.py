"""Parameters of the interface for programs: what is taken, and the sentence for what is not."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.page.api.endpoint import (
    Moment,
    OneOf,
    Parameter,
    Several,
    Text,
    Whole,
    WrongArgumentError,
)

FIRST, LAST = (datetime(year, 1, 1, tzinfo=UTC).replace(tzinfo=None) for year in (1971, 8999))
LIMIT = Parameter("limit", Whole(1, 500), "So many at most.", default=100)
FROM = Parameter("from", Moment(), "Where it begins.", required=True)
BATCH = Parameter("batch", Several(2, Text(10)), "Each of them.")


@pytest.mark.parametrize(
    "parameter, given_, value",
    [
        (LIMIT, (), 100),
        (LIMIT, ("7",), 7),
        (FROM, ("2031-05-04T09:00:00Z",), datetime(2031, 5, 4, 9, tzinfo=UTC)),
        (FROM, ("2031-05-04T11:00:00+02:00",), datetime(2031, 5, 4, 9, tzinfo=UTC)),
        # Before and after all records: as far as there can be any.
        (FROM, ("0001-01-01T00:00:00+23:59",), datetime(1970, 1, 1, tzinfo=UTC)),
        (FROM, ("9999-12-31T23:59:59-23:59",), datetime(9000, 1, 1, tzinfo=UTC)),
        # The + of an address that was not encoded arrives as a blank.
        (FROM, ("2031-05-04T11:00:00 02:00",), datetime(2031, 5, 4, 9, tzinfo=UTC)),
        (Parameter("kind", OneOf(("a", "b")), "Which."), ("b",), "b"),
        (Parameter("kind", OneOf(("a", "b")), "Which."), (), None),
        (BATCH, (), ()),
        (BATCH, ("x", "y"), ("x", "y")),
    ],
)
def test_what_is_allowed_arrives_typed(
    parameter: Parameter, given_: tuple[str, ...], value: object
) -> None:
    """With its default where it was left out, which is never a zero of its own accord."""
    assert value == parameter.read(given_)


@pytest.mark.parametrize(
    "parameter, given_, words",
    [
        (LIMIT, ("0",), "limit = '0': it must be a whole number from 1 to 500"),
        (LIMIT, ("501",), "from 1 to 500"),
        (LIMIT, ("1e2",), "whole number"),
        (LIMIT, ("٣",), "whole number"),
        (LIMIT, ("9" * 400,), "whole number"),
        (LIMIT, ("1", "2"), "given more than once"),
        (FROM, (), "from: it is missing; Where it begins."),
        (FROM, ("2031-05-04T09:00:00",), "with its zone such as 2031-05-04T09:00:00Z"),
        (FROM, ("yesterday",), "with its zone"),
        (Parameter("kind", OneOf(("a", "b")), "Which."), ("c",), "one of a, b"),
        (Parameter("name", OneOf(()), "Which."), ("c",), "there is none"),
        (BATCH, ("x", "y", "z"), "at most 2"),
        (BATCH, ("x" * 11,), "a text of 1 to 10 signs"),
    ],
)
def test_what_is_not_allowed_is_said_with_what_is(
    parameter: Parameter, given_: tuple[str, ...], words: str
) -> None:
    """Which parameter, what stood there, and what may."""
    with pytest.raises(WrongArgumentError, match="^" + parameter.name) as caught:
        parameter.read(given_)

    assert words in str(caught.value)


@given(st.datetimes(FIRST, LAST), st.integers(-840, 840))
def test_a_moment_is_the_same_in_every_zone(wall: datetime, offset_min: int) -> None:
    """What comes in is UTC, whichever zone it was written in."""
    moment = wall.replace(tzinfo=UTC)
    sign, size = ("-" if offset_min < 0 else "+"), abs(offset_min)
    there = (wall + timedelta(minutes=offset_min)).isoformat()

    assert moment == Moment().read(f"{there}{sign}{size // 60:02d}:{size % 60:02d}")
