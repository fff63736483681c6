"""Laws that every family of simulated water keeps, whatever is drawn."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest

from tests.research.stability.batch_kinds import CONDITIONS, KINDS, pair
from tests.research.stability.families.handling import STEP_S, adding
from tests.research.stability.families.mixture import UNDISSOLVED, over
from tests.research.stability.families.water import FAMILIES, SIMULATIONS

SEED = 9_400_000
LONGEST_S = 6.0 * 3600.0
SHORTEST_S = 1800.0
OF_WATER = (
    "clean", "slow dissolver", "heap", "two additions", "pump stops, restarts", "never pumped",
    "plateau below target", "temperature", "two additions + heap",
)  # fmt: skip

families = pytest.mark.parametrize("family", list(FAMILIES))


@families
@pytest.mark.parametrize("kind", OF_WATER)
def test_salt_is_neither_made_nor_lost(family: str, kind: str) -> None:
    """The mean of the parts and the undissolved salt are what was there and what came."""
    mixture, _ = SIMULATIONS[family](kind.split(" + "), np.random.default_rng(SEED))

    mean = np.sum(mixture.parts * mixture.volumes, axis=1)

    assert mixture.undissolved.min() > -1e-6
    assert mixture.final.max() > mixture.handling.start + 5.0
    np.testing.assert_allclose(mean + mixture.undissolved, mixture.final, atol=1e-6)


@families
@pytest.mark.parametrize("seed", range(4))
def test_the_probe_sees_nothing_beyond_what_its_water_has_been(family: str, seed: int) -> None:
    """Its salinity stays between the least and the most that any part has had so far."""
    kind = pair(np.random.default_rng(seed))
    mixture, _ = SIMULATIONS[family](kind.split(" + "), np.random.default_rng(SEED + seed))

    most = np.maximum.accumulate(mixture.parts.max(axis=1))
    least = np.minimum.accumulate(mixture.parts.min(axis=1))

    assert np.all(mixture.probe <= most + 1e-6)
    assert np.all(mixture.probe >= least - 1e-6)
    assert least.min() > -1e-6


@families
@pytest.mark.parametrize("seed", range(3))
def test_mixing_is_over_only_where_all_water_is_alike(family: str, seed: int) -> None:
    """No part, no grain and no reading differs, until something is added."""
    mixture, _ = SIMULATIONS[family](["two additions"], np.random.default_rng(SEED + seed))
    t_s = np.arange(len(mixture.probe), dtype=np.float64) * STEP_S

    done = over(mixture, t_s, np.ones(len(t_s)))

    lasts = done[:-1] & ~done[1:]
    spread = np.ptp(mixture.parts, axis=1)
    assert spread[done].max(initial=0.0) < 0.1
    assert mixture.undissolved[done].max(initial=0.0) < UNDISSOLVED
    assert np.abs(mixture.probe - mixture.final)[done].max(initial=0.0) < 0.1
    assert not np.any(done & adding(mixture.handling, t_s))
    assert np.all(adding(mixture.handling, t_s)[1:][lasts])


@families
@pytest.mark.parametrize("kind", [*KINDS, *CONDITIONS])
def test_each_kind_can_be_drawn(family: str, kind: str) -> None:
    """Arrays of one length with numbers throughout, at most six hours."""
    water = FAMILIES[family](kind, np.random.default_rng(SEED))

    arrays = [getattr(water, f.name) for f in fields(water)]
    lengths = {len(each) for each in arrays if isinstance(each, np.ndarray)}
    assert len(lengths) == 1
    assert SHORTEST_S <= max(lengths) * water.step_s <= LONGEST_S
    assert np.all(np.isfinite(water.salinity) & np.isfinite(water.temperature_C))
    assert water.with_blank == (water.poured_s > 0.0) or not water.with_blank


@families
def test_an_addition_falls_within_the_record_or_is_none_of_it(family: str) -> None:
    """Mixing is not over as it comes, and `final` changes there."""
    came = 0
    for seed in range(SEED, SEED + 8):
        water = FAMILIES[family]("two additions", np.random.default_rng(seed))
        if np.isnan(water.added_s):
            continue
        came += 1
        at = int(water.added_s / water.step_s)
        assert 0 <= at < len(water.final)
        after = min(at + 200, len(water.final) - 1)
        assert abs(water.final[after] - water.final[max(at - 1, 0)]) > 0.05
        assert not water.over[min(at + 1, after)]

    assert came >= 4


@families
def test_the_same_seed_gives_the_same_water(family: str) -> None:
    """And another seed another."""
    kind = "heap + temperature"
    first, again, other = (
        FAMILIES[family](kind, np.random.default_rng(seed)) for seed in (SEED, SEED, SEED + 1)
    )

    np.testing.assert_array_equal(first.salinity, again.salinity)
    np.testing.assert_array_equal(first.temperature_C, again.temperature_C)
    assert len(other.salinity) != len(first.salinity) or np.any(other.salinity != first.salinity)


@families
def test_most_plain_batches_end_in_time_and_some_without_a_pump_never_do(family: str) -> None:
    """Between 3 and 180 min after the salt, with half an hour of record to follow."""
    plain = [ends_min(family, "clean", SEED + k) for k in range(16)]
    resting = [ends_min(family, "never pumped", SEED + k) for k in range(16)]

    ended = [minutes for minutes in plain if minutes is not None]
    assert len(ended) >= 13
    assert min(ended) > 2.0
    assert 5.0 < float(np.median(ended)) < 60.0
    assert sum(minutes is None for minutes in resting) >= 3


@families
def test_water_at_rest_above_salt_is_not_over(family: str) -> None:
    """Some pump stops while salt lies below, and the probe rests far from the end."""
    rests = 0
    for k in range(20):
        water = FAMILIES[family]("pump stops, restarts", np.random.default_rng(SEED + k))
        back = int(600.0 / water.step_s)
        still = np.abs(water.salinity[back:] - water.salinity[:-back]) < 0.02
        stands = ~water.flowing[back:] & ~water.flowing[:-back]
        far = np.abs(water.salinity - water.final)[back:] > 0.15
        if np.any(still & stands & far & (water.salinity[back:] > 10.0)):
            rests += 1
            assert not np.any(water.over[back:][still & stands & far])

    assert rests >= 1


def ends_min(family: str, kind: str, seed: int) -> float | None:
    """Return how long after the salt mixing was over for good; None when it never was."""
    water = FAMILIES[family](kind, np.random.default_rng(seed))
    wrong = np.flatnonzero(~water.over)
    first = int(wrong[-1]) + 1 if len(wrong) else 0
    if (len(water.over) - first) * water.step_s < 1800.0:
        return None
    return (first * water.step_s - water.poured_s) / 60.0
