"""Quality flags: nothing improves them, and nothing breaks them."""

from __future__ import annotations

import math
from datetime import UTC, datetime

from hypothesis import given
from hypothesis import strategies as st

from daemon.entries import Flag, Instant, Sample
from daemon.journal.checkpoint import dump, restore
from daemon.mixing.probe.probe_state import ProbeState
from daemon.mixing.probe.quality import (
    FURTHER,
    TESTS,
    Neighbour,
    QualityLimits,
    QualityState,
    WaterContext,
    judge,
    worst,
)
from daemon.mixing.seawater.properties import practical_salinity
from daemon.mixing.station.station_state import ReservoirState, StationState

AT = Instant(datetime(2026, 3, 2, 8, tzinfo=UTC), 0.0)
anything = st.one_of(st.none(), st.floats(), st.floats(0, 60))


@given(
    st.dictionaries(st.sampled_from(TESTS), st.sampled_from(Flag)),
    st.sampled_from(TESTS),
    st.sampled_from(Flag),
)
def test_one_more_test_never_improves_the_flag(
    tests: dict[str, Flag], name: str, flag: Flag
) -> None:
    """Whatever a further test finds, a reading is not better for it."""
    before = worst({key: value for key, value in tests.items() if key != name})
    after = worst({**tests, name: flag})

    assert after >= flag or (flag is Flag.NOT_EVALUATED and name in FURTHER)
    assert after >= before or before is Flag.NOT_EVALUATED  # the flag of a reading nobody tested


@given(st.dictionaries(st.sampled_from(TESTS), st.sampled_from(Flag)), st.booleans())
def test_a_reading_passes_only_if_every_test_passed(
    tests: dict[str, Flag],
    whole: bool,  # noqa: FBT001 - drawn
) -> None:
    """A test that could not run leaves the reading short of a pass, but for the further ones."""
    tests = {**dict.fromkeys(set(TESTS) - FURTHER, Flag.PASS), **tests} if whole else tests
    counted = {
        flag for name, flag in tests.items() if not (name in FURTHER and flag is Flag.NOT_EVALUATED)
    }
    assert (counted == {Flag.PASS}) == (worst(tests) is Flag.PASS)


@given(
    st.lists(st.tuples(st.floats(0.1, 60), st.floats(0, 60), st.floats(15, 30)), max_size=30),
    st.sampled_from(["band", "neighbour"]),
)
def test_more_that_is_known_of_the_water_never_improves_a_flag(
    rows: list[tuple[float, float, float]], what: str
) -> None:
    """A band and a neighbour can only add a suspicion to what the probe's own readings give."""
    alone, together, t_s = QualityState(), QualityState(), 0.0
    more = WaterContext(
        band_ppt=(30.0, 36.0) if what == "band" else None,
        neighbours=(Neighbour("ct-2", 1.0, 34.0, 0.1),) if what == "neighbour" else (),
        salinity_u=0.1,
    )
    for step_s, conductivity, temperature_C in rows:
        t_s += step_s
        sample = Sample("mix-1", "ct-1", AT, conductivity, temperature_C)
        salinity = practical_salinity(conductivity, temperature_C)
        limits = QualityLimits()
        without = judge(alone, sample, salinity, t_s, limits).tests
        found = judge(together, sample, salinity, t_s, limits, more).tests

        assert all(found[name] >= without[name] for name in TESTS if name not in FURTHER)
        assert worst(found) >= worst(without)


@given(
    st.lists(st.tuples(st.floats(0, 1e4), anything, anything, anything), max_size=30),
    st.booleans(),
    st.none() | st.tuples(st.floats(-5, 30), st.floats(31, 90)),
    st.lists(st.builds(Neighbour, st.just("ct-2"), st.floats(0, 300), *[anything] * 4), max_size=3),
)
def test_any_numbers_give_one_flag_for_each_test(
    rows: list[tuple[float, float | None, float | None, float | None]],
    steady: bool,  # noqa: FBT001 - drawn
    band: tuple[float, float] | None,
    neighbours: list[Neighbour],
) -> None:
    """Impossible values, in any order and any water, are judged, and their memory can be stored."""
    state, t_s = StationState(), 0.0
    probe = ProbeState()
    state.reservoirs["mix-1"] = ReservoirState(probes={"ct-1": probe})
    context = WaterContext("ready", steady, not steady, band, band, tuple(neighbours), 0.1, 0.1)
    for step_s, conductivity, temperature, salinity in rows:
        t_s += step_s
        sample = Sample("mix-1", "ct-1", AT, conductivity, temperature)
        found = judge(probe.quality, sample, salinity, t_s, QualityLimits(), context)

        assert set(TESTS) == set(found.tests)
        assert set(found.figures) <= {n for n, f in found.tests.items() if f >= Flag.SUSPECT}
    if all(salinity is None or math.isfinite(salinity) for *_, salinity in rows):
        assert restore(dump(state)) == state
