"""What holds of the stabilisation detector whatever comes in."""

from __future__ import annotations

import json
import math
from dataclasses import asdict
from datetime import UTC, datetime

from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter

from daemon.entries import Flag, Instant, Reading
from daemon.mixing.stability.detector import (
    Disturbed,
    Finding,
    ForecastBasis,
    Stabilised,
    Stability,
)
from tests.parts.weights import weights

AT = Instant(datetime(2026, 3, 14, 9, tzinfo=UTC), 0.0)
ADAPTER = TypeAdapter(Stability)

Row = tuple[float, Reading]


def reading(conductivity: float | None, temperature: float | None, *, fails: bool) -> Reading:
    """Return a reading of whatever was said."""
    if conductivity is None or temperature is None:
        return Reading("vat", "a", AT, conductivity, temperature, None, None, Flag.MISSING, {})
    flag = Flag.FAIL if fails else Flag.PASS
    return Reading("vat", "a", AT, conductivity, temperature, 0.7 * conductivity, 0.2, flag, {})


@st.composite
def any_rows(draw: st.DrawFn) -> list[Row]:
    """Draw readings of any size at any intervals, some missing, in runs of one value."""
    rows: list[Row] = []
    t_s = draw(st.floats(0.0, 1e6))
    for _ in range(draw(st.integers(1, 12))):
        conductivity = draw(st.none() | st.floats(-10.0, 300.0))
        temperature = draw(st.none() | st.floats(-20.0, 120.0))
        step_s = draw(st.sampled_from([0.2, 1.0, 7.3, 29.0, 400.0]))
        wiggle = draw(st.sampled_from([0.0, 1e-3, 0.5]))
        fails = draw(st.booleans())
        for k in range(draw(st.integers(1, 60))):
            t_s += step_s
            moved = None if conductivity is None else conductivity + wiggle * (k % 3)
            rows.append((t_s, reading(moved, temperature, fails=fails)))
    return rows


@st.composite
def batches(draw: st.DrawFn) -> list[Row]:
    """Draw plain batches: water, salt with one time constant, a little noise."""
    tau_s = draw(st.floats(60.0, 900.0))
    final = draw(st.floats(20.0, 55.0))
    every_s = draw(st.sampled_from([4.0, 6.5, 10.0]))
    seed = draw(st.integers(0, 9999))
    rows: list[Row] = []
    for k in range(int(draw(st.floats(1.0, 2.0)) * 3600.0 / every_s)):
        t_s = k * every_s
        noise = math.sin(12.9898 * (k + seed)) * 43758.5453
        grown = 1.0 - math.exp(-max(t_s - 300.0, 0.0) / tau_s)
        value = 0.3 + final * grown + 0.02 * (noise - math.floor(noise) - 0.5)
        rows.append((t_s, reading(round(value, 3), 24.0, fails=False)))
    return rows


def run(rows: list[Row], detector: Stability, arm_s: float) -> list[Finding]:
    """Run a detector, armed at a time."""
    found: list[Finding] = []
    for t_s, row in rows:
        if detector.armed_at_s is None and t_s >= arm_s:
            detector.arm(t_s)
        found += detector.advance(t_s, row, weights())
    return found


@given(rows=any_rows(), share=st.floats(0.0, 1.0))
@settings(max_examples=60, deadline=None)
def test_nothing_that_comes_in_breaks_it(rows: list[Row], share: float) -> None:
    """Any values at any intervals give findings that are finite and JSON-able."""
    found = run(rows, Stability(), rows[int(share * (len(rows) - 1))][0])

    for each in found:
        text = json.dumps(asdict(each), allow_nan=False)
        assert json.loads(text)


@given(rows=any_rows() | batches(), share=st.floats(0.0, 1.0))
@settings(max_examples=40, deadline=None)
def test_a_restart_anywhere_changes_nothing(rows: list[Row], share: float) -> None:
    """A snapshot through JSON is equal, and what follows it is as if nothing had happened."""
    cut = int(share * len(rows))
    arm_s = rows[0][0] + 320.0
    whole, first = Stability(), Stability()
    expected = run(rows, whole, arm_s)
    found = run(rows[:cut], first, arm_s)

    restored = ADAPTER.validate_python(json.loads(json.dumps(asdict(first), allow_nan=False)))

    assert restored == first
    assert found + run(rows[cut:], restored, arm_s) == expected
    assert restored == whole


@given(rows=batches())
@settings(max_examples=40, deadline=None)
def test_calls_and_disturbances_take_turns(rows: list[Row]) -> None:
    """Between two calls there is a disturbance, and the first finding of the two is a call."""
    found = run(rows, Stability(), 320.0)

    turns = [type(each) for each in found if not isinstance(each, ForecastBasis)]

    assert turns == [(Stabilised, Disturbed)[k % 2] for k in range(len(turns))]


@given(rows=batches(), k=st.integers(1, 10**6))
@settings(max_examples=20, deadline=None)
def test_when_the_clock_began_does_not_matter(rows: list[Row], k: int) -> None:
    """The same readings a whole number of minutes later give the same findings."""
    later = [(t_s + 60.0 * k, row) for t_s, row in rows]

    moved = run(later, Stability(), 320.0 + 60.0 * k)

    assert [type(each) for each in moved] == [type(e) for e in run(rows, Stability(), 320.0)]
