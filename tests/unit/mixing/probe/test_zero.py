"""A probe whose zero is off is told by purified water."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime

from daemon.entries import Entry, Event, Instant, Sample
from daemon.mixing.probe.zero import ZeroState, zero_steps
from daemon.mixing.probe_events import ZeroOff, ZeroRight
from tests.parts.calibrating import Corner

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)


def zero_texts(values: Sequence[float | None], step_s: float = 10.0) -> list[str]:
    """What is reported about a run of conductivities as indicated, mS/cm."""
    state, found = ZeroState(), []
    for number, value in enumerate(values):
        at = Instant(NOON, number * step_s)
        sample = Sample("mix-1", "ct-1", at, value, None if value is None else 24.0)
        for each in zero_steps(state, sample, number * step_s):
            assert isinstance(each.body, ZeroOff | ZeroRight)
            found.append(each.body.state)
    return found


def test_a_minute_below_nothing_is_reported_once() -> None:
    """Ten minutes at -12 µS/cm make one event, and the return to 3 µS/cm another."""
    assert zero_texts([-0.012] * 60 + [0.003] * 6) == ["zero off", "zero right again"]


def test_noise_around_nothing_is_none() -> None:
    """A quiet zero, a lone dip and missing values say nothing of the zero."""
    assert zero_texts([0.0, -0.004, 0.001, -0.02, 0.0] * 20) == []
    assert zero_texts([None] * 20) == []


def test_salt_water_says_nothing_of_the_zero() -> None:
    """Only what reads below nothing counts."""
    assert zero_texts([50.8] * 60) == []


def test_minutes_at_the_bench_do_not_count_as_below_nothing() -> None:
    """Twenty seconds before it is taken out and twenty after it is back are no minute."""
    corner = Corner(gain=1.0, salinity=0.0)
    corner.in_water(3)
    corner.feed(-0.012, 0.3)
    corner.begin()
    corner.feed(52.0, 5)
    corner.answer("calibrate.abort", probe="ct-1")
    corner.answer("calibrate.confirm", probe="ct-1", step="return")
    assert [] == zero_off(corner.feed(-0.012, 0.3))

    assert 1 == len(zero_off(corner.feed(-0.012, 1.0)))


def zero_off(said: Sequence[Entry]) -> list[Entry]:
    """What is said of a zero that is off."""
    return [each for each in said if isinstance(each, Event) and isinstance(each.body, ZeroOff)]
