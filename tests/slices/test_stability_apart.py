"""The held-out families of water and instrument: their own physics, and that they are held out."""

from __future__ import annotations

import functools
import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from tests.research.stability.batch_kinds import KINDS
from tests.research.stability.families import apart
from tests.research.stability.families.apart_eddies import eddies
from tests.research.stability.families.apart_instruments import INSTRUMENTS, follow
from tests.research.stability.families.apart_noise import (
    Colour,
    arma,
    grit,
    one_over_f,
    telegraph,
)
from tests.research.stability.families.apart_plan import (
    HORIZON_S,
    Course,
    Plan,
    Rng,
    grid_s,
    motion,
    over_of,
    plan,
    pump_runs,
)
from tests.research.stability.families.apart_ring import ring
from tests.research.stability.families.apart_tails import LAWS
from tests.research.stability.probe_model import Trace

RESEARCH = Path(apart.__file__).parents[1]


def seed_of(kind: str) -> int:
    """Return a seed of a kind; the families take turns."""
    return apart.DEVELOPMENT_SEED + 13 * KINDS.index(kind)


@functools.cache
def trace_of(kind: str) -> Trace:
    """Return one record of a kind."""
    return apart.trace(kind, seed_of(kind))


def test_a_batch_is_drawn_alike_from_a_seed() -> None:
    """The same kind and seed give the same record, to the last digit, and other seeds others."""
    again, other = apart.trace("heap", seed_of("heap")), apart.trace("heap", 190_005_000)

    expected = trace_of("heap")
    np.testing.assert_array_equal(expected.conductivity, again.conductivity)
    np.testing.assert_array_equal(expected.over, again.over)
    assert (expected.arm_s, expected.over_s) == (again.arm_s, again.over_s)
    assert len(other.t_s) != len(again.t_s)


def test_every_family_meets_every_instrument_in_every_kind() -> None:
    """Of 108 seeds in a row each of the twelve kinds has each of the nine combinations once."""
    met = {
        (kind, apart.family_of(seed), apart.instrument_of(seed)) for kind, seed in apart.jobs(108)
    }

    assert len(KINDS) * len(apart.FAMILIES) * len(INSTRUMENTS) == len(met) == 108


@pytest.mark.parametrize("water", [ring, eddies])
@pytest.mark.parametrize("salt, fresh", [(2.0, 0.0), (0.0, 0.1)])
def test_salt_is_neither_made_nor_lost(
    water: Callable[[Plan, Rng], Course], salt: float, fresh: float
) -> None:
    """Dissolved and undissolved salt keep their sum, and water that is added thins it."""
    rng = np.random.default_rng(3)
    drawn = plan("heap", rng)
    drawn.evaporates_per_h, drawn.off = 0.0, [(3000.0, 3600.0)]
    drawn.second_s, drawn.second_salt, drawn.second_water = 4000.0, salt, fresh

    course = water(drawn, rng)

    t_s, whole = grid_s(), course.mean + course.left
    np.testing.assert_allclose(whole[t_s < 4000.0], drawn.target, rtol=1e-9)
    np.testing.assert_allclose(
        whole[t_s > 4002.0], (drawn.target + salt) / (1.0 + fresh), rtol=1e-9
    )
    assert (np.diff(course.left[t_s > 4100.0]) <= 0.0).all()


@pytest.mark.parametrize("kind", KINDS)
def test_a_record_keeps_within_what_water_and_instruments_can_be(kind: str) -> None:
    """Times grow, values are those of water or of air, and salt is seen before it is mixed."""
    trace = trace_of(kind)
    there = np.isfinite(trace.conductivity)

    assert (np.diff(trace.t_s) > 0.0).all()
    assert 1.0 <= trace.every_s <= 30.0
    assert trace.t_s[-1] <= HORIZON_S
    assert (trace.conductivity[there] >= 0.0).all()
    assert (trace.conductivity[there] < 90.0).all()
    assert np.isfinite(trace.temperature[there]).all()
    assert not trace.over[trace.t_s < trace.arm_s].any()


@pytest.mark.parametrize("kind", ["clean", "heap", "two additions", "pump stops, restarts"])
def test_where_mixing_is_over_nothing_is_to_come(kind: str) -> None:
    """From each such reading to the next addition all is dissolved and every part alike."""
    seed, trace = seed_of(kind), trace_of(kind)
    rng = np.random.default_rng(seed)
    drawn = plan(kind, rng)
    course = apart.FAMILIES[apart.family_of(seed)](drawn, rng)
    grid = grid_s()

    for low, high in ((0.0, drawn.second_s), (drawn.second_s, np.inf)):
        right = trace.t_s[trace.over & (trace.t_s >= low) & (trace.t_s < high)]
        after = (grid >= (right[0] if len(right) else np.inf)) & (grid < high)
        assert course.left[after].max(initial=0.0) < 0.1
        assert course.spread[after].max(initial=0.0) < 0.1
        final = (course.mean + course.left)[after]
        assert np.abs(course.salinity[after] - final).max(initial=0.0) < 0.1


def test_an_instrument_that_lags_is_waited_for() -> None:
    """A call is right only once what the probe sees is near its final value, too."""
    rng = np.random.default_rng(5)
    drawn = plan("clean", rng)
    course, grid = ring(drawn, rng), grid_s()

    quick = over_of(drawn, grid, course, follow(course.salinity, (1.0,)))
    slow = over_of(drawn, grid, course, follow(course.salinity, (400.0, 400.0), 60.0))

    assert quick.any()
    assert slow.sum() < quick.sum() - 100
    assert not (slow & ~quick).any()


def test_each_kind_is_what_its_name_says() -> None:
    """Salt, pump and probe do what the kind is named after."""
    clean, noisy = trace_of("clean"), trace_of("noisy")

    assert scatter(noisy) > 2.0 * scatter(clean)
    assert not trace_of("never pumped").flowing.any()
    stops = trace_of("pump stops, restarts").flowing
    assert stops[0]
    assert not stops.all()
    assert np.isfinite(trace_of("two additions").added_s)
    assert np.ptp(trace_of("two additions").final) > 0.3
    lost = trace_of("dropouts")
    assert np.isnan(lost.conductivity).mean() + (np.diff(lost.t_s) > 100.0).sum() > 0.02
    stuck = trace_of("stuck probe")
    assert not stuck.over[-1]
    assert np.ptp(stuck.conductivity[-100:]) <= 0.1
    assert spread_C(trace_of("temperature")) > 3.0 * scatter(clean)
    rngs = [np.random.default_rng(k) for k in range(20)]
    assert max(plan("clean", rng).heap for rng in rngs) < 0.05
    assert np.median([plan("heap", rng).heap for rng in rngs]) > 0.02
    assert min(plan("slow dissolver", rng).grain_s for rng in rngs) >= 450.0
    assert min(plan("plateau below target", rng).target for rng in rngs) < 27.0


def scatter(trace: Trace) -> float:
    """Return how much readings differ from one to the next, in the middle."""
    end = trace.conductivity[-600:]
    return float(np.nanmedian(np.abs(np.diff(end))))


def spread_C(trace: Trace) -> float:
    """Return how far the highest and the lowest temperature are apart."""
    return float(np.nanmax(trace.temperature) - np.nanmin(trace.temperature))


def test_bubbles_only_lower_what_is_read() -> None:
    """The same batch with bubbles lies far below its level now and then, and never far above."""
    trace = trace_of("bubbling")
    level = float(np.median(trace.conductivity[trace.over]))

    away = trace.conductivity[trace.over] / level - 1.0

    assert away.min() < -0.004
    assert away.max() < -0.5 * away.min()


def test_the_water_goes_on_moving_after_the_pump() -> None:
    """Motion follows the pump with its inertia, between standing and driven."""
    drawn = plan("pump stops, restarts", np.random.default_rng(11))
    drawn.off, drawn.spin_down_s = [(2000.0, 5000.0)], 20.0
    t_s = grid_s()

    moves, runs = motion(drawn, t_s), pump_runs(drawn, t_s)

    assert runs.sum() == len(t_s) - 1500
    assert moves.min() >= 0.0
    assert moves.max() <= 1.0
    assert moves[1004] == pytest.approx(np.exp(-0.5), abs=0.01)
    assert moves[2400] < 0.01


@pytest.mark.parametrize("law", LAWS)
@pytest.mark.parametrize("shape", [0.6, 1.4])
def test_a_law_begins_at_nothing_and_ends_whole(
    law: Callable[[np.ndarray, float], np.ndarray], shape: float
) -> None:
    """A share comes from 0 to 1, never goes back, and has begun by its own time."""
    age = np.concatenate([[-5.0, 0.0], np.geomspace(1e-3, 1e6, 400)])

    come = law(age, shape)

    assert come[0] == come[1] == pytest.approx(0.0, abs=1e-12)
    assert (np.diff(come) >= -1e-12).all()
    assert come[-1] == pytest.approx(1.0, abs=1e-6)
    assert 0.1 < float(law(np.array([1.0]), shape)[0]) < 0.9


@pytest.mark.parametrize(
    "colour, least, most",
    [(arma, 4.0, 1e4), (one_over_f, 30.0, 1e6), (grit, 0.7, 1.4), (telegraph, 30.0, 1e6)],
)
def test_noise_is_of_unit_size_and_its_colour_its_own(
    colour: Colour, least: float, most: float
) -> None:
    """Power at 20 min against that at 10 s: as much where there is no memory, else far more."""
    rng = np.random.default_rng(8)

    many = np.array([colour(8192, 5.0, rng) for _ in range(12)])

    power = (np.abs(np.fft.rfft(many)) ** 2).mean(axis=0)
    assert 0.7 < many.std() < 1.4
    assert least < power[10:70].mean() / power[-400:].mean() < most


def test_no_training_knows_the_held_out_families() -> None:
    """Of all the research only the families themselves and what judges name them."""
    knows = {
        str(path.relative_to(RESEARCH))
        for path in RESEARCH.rglob("*.py")
        if re.search(
            r"import .*\bapart|families\.apart[ ,]*import|from .*families\.apart", path.read_text()
        )
    }

    assert {name for name in knows if not Path(name).name.startswith("apart")} <= {
        "__main__.py", "sources.py",
    }  # fmt: skip
