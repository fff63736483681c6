"""Conditions that both generators lay over a fault: each does what its name says."""

from __future__ import annotations

from collections.abc import Callable

import gsw
import numpy as np
import numpy.typing as npt
import pytest

from tests.research.stability import evaluation, report, second_generator
from tests.research.stability.batch_kinds import CONDITIONS, KINDS
from tests.research.stability.probe_model import Trace, traces
from tests.research.stability.verdicts import Verdict, tally

Make = Callable[[list[evaluation.Job]], list[Trace]]


def by_formula(todo: list[evaluation.Job]) -> list[Trace]:
    """Return traces of the second generator."""
    return [second_generator.trace(kind, seed) for kind, seed in todo]


BOTH = pytest.mark.parametrize("make", [traces, by_formula])


def salinity(trace: Trace) -> npt.NDArray[np.float64]:
    """Return practical salinity of all readings that came."""
    there = np.isfinite(trace.conductivity)
    found = gsw.SP_from_C(trace.conductivity[there], trace.temperature[there], 0.0)
    return np.asarray(np.nan_to_num(found))


@BOTH
def test_leftover_water_is_salt_before_the_pour_and_ends_where_it_should(make: Make) -> None:
    """The first minute reads well above purified water, the end as without what was left."""
    for trace in make([("clean + leftover water", seed) for seed in range(1, 7)]):
        seen = salinity(trace)

        assert np.median(seen[:10]) > 1.0
        assert np.median(seen[-20:]) == pytest.approx(float(trace.final[-1]), abs=0.3)
        assert 25.0 < trace.final[-1] < 40.0


@BOTH
def test_a_long_pour_puts_the_end_off(make: Make) -> None:
    """In most batches mixing ends later than of the same batch poured quickly."""
    kinds = ("clean", "clean + long pour")
    quick, slow = (make([(kind, seed) for seed in range(1, 21)]) for kind in kinds)

    assert sum(b.over_s > a.over_s for a, b in zip(quick, slow, strict=True)) >= 16


@BOTH
def test_coarse_steps_are_those_of_the_instrument(make: Make) -> None:
    """All conductivities are whole steps of 0.05 mS/cm or more."""
    for trace in make([("clean + coarse steps", seed) for seed in range(1, 4)]):
        values = np.unique(trace.conductivity[np.isfinite(trace.conductivity)])

        assert np.diff(values).min() > 0.0499
        np.testing.assert_allclose(values / 0.05, np.round(values / 0.05), atol=1e-6)


@BOTH
def test_a_slow_thermometer_makes_mixed_water_seem_to_swing(make: Make) -> None:
    """In the middle batch salinity of the last half hour spans more than twice what it did."""

    def swings(kind: str) -> list[float]:
        found = []
        for trace in make([(kind, seed) for seed in range(1, 12)]):
            there_s = trace.t_s[np.isfinite(trace.conductivity)]
            late = salinity(trace)[there_s > trace.t_s[-1] - 1800.0]
            found.append(float(np.ptp([np.median(part) for part in np.array_split(late, 40)])))
        return found

    assert np.median(swings("clean + slow thermometer")) > 2.0 * np.median(swings("clean"))


@BOTH
def test_an_open_vessel_grows_saltier_and_a_fouled_probe_says_otherwise(make: Make) -> None:
    """What is final rises by hundredths an hour; fouling lowers what is read and not that."""
    kinds = ("clean", "clean + open vessel", "clean + fouling")
    plain, open_vessel, fouled = make([(kind, 4) for kind in kinds])
    hours = float(open_vessel.t_s[-1] - open_vessel.over_s) / 3600.0
    at_end = int(np.searchsorted(open_vessel.t_s, open_vessel.over_s))

    rise = float(open_vessel.final[-1] - open_vessel.final[at_end]) / hours

    assert 0.01 < rise < 0.08
    assert np.median(salinity(fouled)[-50:]) < np.median(salinity(plain)[-50:])
    assert fouled.final[-1] == pytest.approx(plain.final[-1], abs=0.01)


def test_conditions_lie_over_every_kind_and_have_rows_of_their_own() -> None:
    """One or two conditions a batch, after its kind; a row counts all that they had a part in."""
    todo = evaluation.conditioned_jobs(7, 800)
    parts = [kind.split(" + ") for kind, _ in todo]
    verdicts = [Verdict(kind, False, False, 1.0) for kind, _ in todo]

    text = report.by_part(verdicts, CONDITIONS)

    assert {part[0] for part in parts} == set(KINDS)
    assert {len(part) for part in parts} == {2, 3}
    assert {each for part in parts for each in part[1:]} == set(CONDITIONS)
    with_long = sum("long pour" in part for part in parts)
    assert f"| long pour | 0 of {with_long}: " in text


def test_few_wrong_calls_and_few_misses_under_conditions() -> None:
    """Of 24 batches by formula at most two are called wrongly, and at most four are missed.

    A slice of `conditions`.
    """
    found = evaluation.evaluate_second(second_generator.conditioned_jobs(24))

    assert sum(v.false for v in found) <= 2
    assert sum(bool(v.missed) for v in found) <= 4
    assert tally(found).median_min <= 25.0
