"""Families of instruments: what each makes of a water, and when a call before it is right."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import gsw
import numpy as np
import numpy.typing as npt
import pytest

from tests.research.stability.batch_kinds import KINDS
from tests.research.stability.families import bubbles, lags, noise
from tests.research.stability.families.bubbles import Bubbles
from tests.research.stability.families.failures import Losses, Sticking
from tests.research.stability.families.instruments import INSTRUMENTS, probe
from tests.research.stability.families.lags import Lag
from tests.research.stability.families.noise import Noise
from tests.research.stability.families.probe import Observed, Probe, observe
from tests.research.stability.families.records import records
from tests.research.stability.families.traces import (
    conditioned_jobs,
    jobs,
    over_at,
    rightness,
    trace,
)
from tests.research.stability.families.water import FAMILIES, Water
from tests.research.stability.probe_model import Trace

Floats = npt.NDArray[np.float64]

STEP_S = 4.0
HOUR_S = 3600.0


def water(final: float = 35.0) -> Water:
    """Return salt of one time constant that is poured after ten minutes, for three hours."""
    t_s = np.arange(0.0, 3.0 * HOUR_S, STEP_S)
    salinity = 0.05 + final * (1.0 - np.exp(-np.maximum(t_s - 600.0, 0.0) / 200.0))
    target = np.full(len(t_s), 0.05 + final)
    return Water(
        STEP_S, salinity, target, np.abs(salinity - target) < 0.1, np.ones(len(t_s), bool),
        np.full(len(t_s), 22.0), 600.0, float("nan"), True,
    )  # fmt: skip


def silent(**more: object) -> Probe:
    """Return a probe without noise, read each second, that follows within a few seconds."""
    return Probe(1.0, Lag(3.0), Lag(3.0), Noise(0.0), 0.0, **more)  # type: ignore[arg-type]


def seen_by(made: Probe, seed: int = 1) -> Observed:
    """Return what a probe reads in the plain water."""
    return observe(made, water(), np.random.default_rng(seed))


def salinity(seen: Observed) -> Floats:
    """Return practical salinity of the readings, 0 where there is none."""
    return np.asarray(np.nan_to_num(gsw.SP_from_C(seen.conductivity, seen.temperature, 0.0)))


def some(kind: str, count: int) -> list[Trace]:
    """Return traces of one kind, one after another from each instrument."""
    names, waters = list(INSTRUMENTS), list(FAMILIES)
    return [
        trace(waters[k % len(waters)], names[k % len(names)], kind, 700 + k) for k in range(count)
    ]


def test_the_same_job_gives_the_same_trace() -> None:
    """All readings and all truth come from the seed."""
    job = jobs(30)[-1]
    one, other = trace(*job), trace(*job)

    for name in ("t_s", "conductivity", "temperature", "over", "final", "flowing"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name))
    np.testing.assert_equal(one.over_s, other.over_s)


def test_a_water_is_the_same_before_each_instrument() -> None:
    """Only the instrument changes what is seen: the final salinity at the end is one."""
    ends = {
        float(trace("stores", name, "clean", 5).final[0])
        for name in ("bench", "polled", "averaging")
    }

    assert len(ends) == 1


@pytest.mark.parametrize("instrument", INSTRUMENTS)
@pytest.mark.parametrize("kind", [*KINDS, "noisy + bubbling", "dropouts + stuck probe"])
def test_each_instrument_draws_each_kind(instrument: str, kind: str) -> None:
    """Readings are finite where they come, no conductivity is negative, times never go back."""
    seen = INSTRUMENTS[instrument](water(), kind, np.random.default_rng(3))
    there = np.isfinite(seen.conductivity)

    assert there.sum() > 100
    assert (there == np.isfinite(seen.temperature)).all()
    assert (seen.conductivity[there] >= 0.0).all()
    assert (np.diff(seen.t_s) >= 0.0).all()
    assert np.median(np.diff(seen.t_s)) <= 30.0


@pytest.mark.parametrize("instrument", INSTRUMENTS)
def test_a_clean_probe_ends_at_the_salinity_of_the_water(instrument: str) -> None:
    """The median of the last half hour is that of the water, but for a small calibration error."""
    for seed in range(5):
        seen = INSTRUMENTS[instrument](water(), "clean", np.random.default_rng(seed))
        late = seen.t_s > 2.5 * HOUR_S

        assert np.median(salinity(seen)[late]) == pytest.approx(35.05, abs=0.1)


@pytest.mark.parametrize(
    "lag",
    [Lag(20.0), Lag(10.0, 25.0), Lag(5.0, 90.0, slow_share=0.3), Lag(2.0, delay_s=40.0),
     Lag(2.0, average_s=60.0)],
)  # fmt: skip
def test_no_lag_overshoots_and_each_arrives(lag: Lag) -> None:
    """A step is followed without going back, stays within its bounds and is reached."""
    step = np.where(np.arange(600) < 50, 1.0, 3.0)
    out = lags.lagged(step, lag, 2.0)

    assert (np.diff(out) >= -1e-12).all()
    assert out[0] == pytest.approx(1.0)
    assert out[-1] == pytest.approx(3.0, abs=1e-3)
    assert (out <= step + 1e-12).all()


def test_a_lag_is_that_of_first_order() -> None:
    """In blocks it is what it is step by step."""
    values = np.random.default_rng(1).normal(size=1000)
    expected, last = [], values[0]
    for value in values:
        last = value + (last - value) * np.exp(-4.0 / 30.0)
        expected.append(last)

    np.testing.assert_allclose(lags.follow(values, 30.0, 4.0), expected, atol=1e-12)


def test_first_order_noise_has_its_variance_and_its_memory() -> None:
    """Unit variance, and a correlation that falls to 1/e after the time constant."""
    values = noise.red(200_000, 1.0, 20.0, np.random.default_rng(2))

    assert np.var(values) == pytest.approx(1.0, abs=0.05)
    assert np.corrcoef(values[:-20], values[20:])[0, 1] == pytest.approx(np.exp(-1.0), abs=0.04)


def test_noise_of_the_flow_falls_silent_when_the_pump_stands() -> None:
    """Nine tenths of flow leave less than half the scatter in still water."""
    t_s, level = np.arange(8000.0), np.full(8000, 50.0)
    of = Noise(0.02, flow=0.9)
    moving = np.where(t_s < 4000.0, 1.0, 0.0)
    out = noise.noise(of, t_s, level, moving, np.zeros(8000), np.random.default_rng(1))

    assert out[:4000].std() == pytest.approx(0.02, rel=0.1)
    assert out[4000:].std() < 0.5 * out[:4000].std()


@pytest.mark.parametrize("of", [Bubbles(passing_per_min=4.0), Bubbles(clinging_per_h=3.0)])
def test_a_bubble_only_lowers(of: Bubbles) -> None:
    """With bubbles no reading is above the one without, and some are below."""
    for seed in range(3):
        with_bubbles, without = seen_by(silent(bubbles=of), seed), seen_by(silent(), seed)

        assert (with_bubbles.conductivity <= without.conductivity + 1e-9).all()
        assert (with_bubbles.conductivity < without.conductivity - 0.05).any()


def test_a_clinging_bubble_stays_and_comes_off() -> None:
    """It takes 0.5 to 8 % for one minute to an hour, and nothing afterwards."""
    t_s = np.arange(0.0, 20.0 * HOUR_S)
    one_an_age = Bubbles(clinging_per_h=0.05)
    for seed in range(20):
        out = bubbles.clinging(one_an_age, t_s, np.random.default_rng(seed))
        edges = np.flatnonzero(np.diff((out > 0.0).astype(int)))
        if len(edges) == 2:
            assert 55.0 <= edges[1] - edges[0] <= 3605.0
            assert 0.001 <= out[out > 0.0].min()
            assert 0.005 <= out.max() <= 0.08
            break
    else:
        pytest.fail("no seed drew one bubble alone")


def test_no_call_is_right_while_a_bubble_clings_that_moves_the_level() -> None:
    """Where a call is right the salinity that is read is near the final one; bubbles forbid it."""
    for seed in range(6):
        seen = seen_by(silent(bubbles=Bubbles(clinging_per_h=8.0)), seed)
        mixed, over = rightness(water(), seen)
        off = np.abs(salinity(seen) - 35.05)

        assert (off[over] < 0.12).all()
        assert (seen.clings[mixed & ~over] > 0.0).all()
        assert over[mixed & (off < 0.08)].all()
        assert (mixed & ~over).any()


@pytest.mark.parametrize("way", ["both", "conductivity", "dry"])
def test_a_stuck_probe_repeats_itself_and_is_dead(way: str) -> None:
    """From the moment on it says one conductivity, or that of air, until it comes free."""
    seen = seen_by(silent(sticking=Sticking(5000.0, 7000.0, way)))
    span = (seen.t_s >= 5000.0) & (seen.t_s < 7000.0)

    assert (seen.dead == span).all()
    if way == "dry":
        assert seen.conductivity[span].max() < 0.05 * seen.conductivity[~span].max()
    else:
        assert len(set(seen.conductivity[span])) == 1


def test_a_stuck_thermometer_is_dead_once_the_water_is_elsewhere() -> None:
    """In water that keeps its temperature what it repeats is still true."""
    held = silent(sticking=Sticking(3000.0, way="temperature"))
    steady = water()
    warming = replace(steady, temperature_C=np.linspace(22.0, 25.0, len(steady.salinity)))

    assert not observe(held, steady, np.random.default_rng(1)).dead.any()
    assert observe(held, warming, np.random.default_rng(1)).dead[-1]


def test_no_call_is_right_while_the_probe_is_dead() -> None:
    """A trace of a stuck probe that does not come free ends wrong, and is never due."""
    counts = Counter(bool(each.over[-1]) for each in some("stuck probe", 24))

    assert counts[False] > 6
    for each in some("stuck probe", 24):
        if not each.over[-1]:
            assert np.isnan(each.over_s)


def test_a_batch_is_due_from_its_first_half_hour_without_a_bubble() -> None:
    """A bubble that clings later does not make it undue; one that leaves no half hour does."""
    seen = seen_by(silent())
    mixed = seen.t_s > 4000.0
    later, often = mixed & (np.abs(seen.t_s - 7000.0) > 300.0), mixed & (seen.t_s % 1500.0 > 60.0)

    assert over_at(seen, mixed, mixed, 700.0) == pytest.approx(4001.0)
    assert over_at(seen, mixed, later, 700.0) == pytest.approx(4001.0)
    assert over_at(seen, mixed, mixed & (seen.t_s > 5000.0), 700.0) == pytest.approx(5001.0)
    assert np.isnan(over_at(seen, mixed, often, 700.0))


def test_a_batch_is_not_due_without_readings() -> None:
    """An outage up to the end of the record leaves nothing to see; water that moves again, too."""
    seen = seen_by(silent())
    mixed = seen.t_s > 4000.0
    seen.conductivity[seen.t_s > 5000.0] = np.nan

    assert np.isnan(over_at(seen, mixed, mixed, 700.0))

    whole = seen_by(silent())
    assert np.isnan(over_at(whole, mixed & (whole.t_s < 10_500.0), mixed, 700.0))


def test_dropouts_take_readings_away_and_leave_some() -> None:
    """More than 1 % do not come, and in an outage none for a long time."""
    seen = seen_by(silent(losses=Losses(share=0.1, outage_s=1800.0)))
    came_s = seen.t_s[np.isfinite(seen.conductivity)]

    assert 0.05 < 1.0 - len(came_s) / len(seen.t_s) < 0.5
    assert np.diff(came_s).max() > 300.0


def test_an_instrument_read_more_often_than_it_measures_repeats_itself() -> None:
    """Of readings each second of a measurement each five, four in five repeat the last."""
    made = silent(measures_s=5.0)
    made.noise = Noise(0.05)
    late = seen_by(made).conductivity[-2000:]

    assert np.mean(np.diff(late) == 0.0) == pytest.approx(0.8, abs=0.03)


def test_faults_of_the_water_change_nothing_of_the_probe() -> None:
    """A heap is drawn with the probe that nothing at all is drawn with."""
    one = probe("bench", water(), "heap", np.random.default_rng(4))

    assert one == probe("bench", water(), "two additions", np.random.default_rng(4))
    assert one != probe("bench", water(), "noisy", np.random.default_rng(4))


def test_jobs_go_through_families_instruments_and_kinds_evenly() -> None:
    """Each kind is alike often, and so is each instrument and each family within a kind."""
    rounds = len(FAMILIES) * len(INSTRUMENTS)
    todo = jobs(len(KINDS) * rounds, 1, pairs=20)
    singles, pairs = todo[:-20], todo[-20:]

    assert set(Counter(kind for _, _, kind, _ in singles).values()) == {rounds}
    assert set(Counter((f, i, kind) for f, i, kind, _ in singles).values()) == {1}
    assert all(" + " in kind for _, _, kind, _ in pairs)
    assert len({seed for *_, seed in todo}) == len(todo)


def test_conditions_are_laid_over_kinds_for_all_instruments() -> None:
    """Coarse steps are those of the instrument; a fouled probe reads less and less."""
    names = {instrument for _, instrument, _, _ in conditioned_jobs(40)}
    rng = np.random.default_rng(1)

    assert names == set(INSTRUMENTS)
    for name in INSTRUMENTS:
        assert probe(name, water(), "clean + coarse steps", rng).step_mS_cm >= 0.05
        assert probe(name, water(), "clean + fouling", rng).drift_per_h < -0.0008


def test_a_water_that_is_never_mixed_is_never_due() -> None:
    """Nothing is right in it, whatever the instrument; half a batch is judged as it is."""
    plain = water()
    never = replace(plain, over=np.zeros(len(plain.over), bool))
    late = replace(plain, poured_s=-300.0, with_blank=False)
    for name, make in INSTRUMENTS.items():
        seen = make(never, "stuck probe + dropouts", np.random.default_rng(2))
        mixed, over = rightness(never, seen)
        begun = make(late, "stuck probe", np.random.default_rng(2))

        assert not over.any(), name
        assert np.isnan(over_at(seen, mixed, over, 0.0))
        assert len(begun.t_s) == len(begun.dead)


def test_records_are_the_features_along_the_traces() -> None:
    """Each job gives a record at least, of its kind and seed."""
    todo = jobs(6, 9)
    made = records(todo, 4000.0)

    assert {(each.kind, each.seed) for each in made} == {(kind, seed) for *_, kind, seed in todo}
    assert all(np.isfinite(each.features).all() for each in made)
