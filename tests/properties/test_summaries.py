"""What a minute summary says is what its readings said."""

from __future__ import annotations

import math
import tempfile
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.entries import Reading
from daemon.journal.reader import Reader
from daemon.journal.retention import OLDEST, summarise
from daemon.journal.summaries import Spread, class_of, spread_of
from daemon.journal.writer import Writer
from tests.properties.test_journal import NUMBER, readings

VALUES = st.floats(-1e6, 1e6) | st.just(-0.0)


def same(given_: Sequence[float | None], said: Sequence[Spread]) -> bool:
    """Whether spreads together have the count, the ends and the sum of the values."""
    known = [value for value in given_ if value is not None]
    told = [each for each in said if each.count]
    if len(known) != sum(each.count for each in said):
        return False
    if not known:
        return all(each.mean is None for each in said)
    total = math.fsum(each.count * (each.mean or 0.0) for each in told)
    size = math.fsum(abs(value) for value in known)
    return (
        min(known) == min(each.low for each in told if each.low is not None)
        and max(known) == max(each.high for each in told if each.high is not None)
        and abs(total - math.fsum(known)) <= 1e-12 * size
    )


@st.composite
def plain_readings(draw: st.DrawFn) -> Reading:
    """Any reading of values that can be summed."""
    one = draw(readings())
    return replace(
        one,
        conductivity_mS_cm=draw(st.none() | VALUES),
        temperature_C=draw(st.none() | VALUES),
        salinity=None if one.salinity is None else draw(VALUES),
        reservoir=draw(st.sampled_from(["mix-1", "mix-2"])),
        probe="ct-1",
    )


@settings(deadline=None)
@given(st.lists(plain_readings(), min_size=1, max_size=30))
def test_summaries_together_hold_every_count_sum_and_end(given_: list[Reading]) -> None:
    """Nothing of any quantity is lost or doubled, in any mix of probes, minutes and classes."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "journal.db"
        with Writer(path) as writer:
            writer.append(given_, 0.0)
            damaged = writer.within(
                lambda db: summarise(db, db.execute(OLDEST, (10**9, 100)).fetchall())
            )
        reader = Reader(path)
        left = reader.readings()
        said = [each for _, each in reader.summaries(limit=100) if each is not None]

    assert ([], 0) == (left, damaged)
    assert len(given_) == sum(each.readings for each in said)
    assert same([r.conductivity_mS_cm for r in given_], [s.conductivity for s in said])
    assert same([r.temperature_C for r in given_], [s.temperature for s in said])
    assert same([r.salinity for r in given_], [s.salinity for s in said])
    assert max(r.flag for r in given_) == max(s.flag for s in said)
    for reading in given_:
        minute = reading.at.wall.replace(second=0, microsecond=0)
        assert any(
            (s.reservoir, s.minute, s.kind) == (reading.reservoir, minute, class_of(reading))
            for s in said
        )


@settings(deadline=None)
@given(st.lists(NUMBER, min_size=1, max_size=8))
def test_a_mean_lies_between_the_ends_even_of_huge_numbers(values: list[float]) -> None:
    """No sum overflows on the way to a mean."""
    _, low, mean, high = spread_of(values)

    assert low is not None
    assert mean is not None
    assert high is not None
    slack = 1e-12 * max(abs(low), abs(high))
    assert low - slack <= mean <= high + slack
