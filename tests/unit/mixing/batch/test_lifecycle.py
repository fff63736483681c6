"""The steps of a batch's life, one by one."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import gsw
import pytest

from daemon.entries import Kind, Phase
from daemon.mixing.batch.batch_state import Advice, Age, Judgement, SecondReading, WaterLevels
from daemon.mixing.batch.lifecycle import (
    STEADY,
    BatchSettings,
    BatchState,
    age_h,
    on_disturbed,
    on_level,
    on_time,
)
from daemon.mixing.batch.verification import on_more_readings, on_stabilised
from daemon.mixing.events import Happening, PhaseChanged
from daemon.mixing.probe.place_bins import PlaceBins
from daemon.mixing.probe.place_state import PlaceState
from daemon.mixing.stability.detector import Disturbed, Stabilised
from daemon.mixing.stability.level import Level
from tests.parts.events import facts_in

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
SETTINGS = BatchSettings()
HOUR_S = 3600.0


def level_of(*medians: float) -> Level:
    """A level with these ten-second medians, oldest first."""
    count = len(medians)
    return Level(
        0.0,
        [],
        [10.0 * n for n in range(count)],
        list(medians),
        uncertainties=[0.1] * count,
    )


def place_of(*medians: float) -> PlaceState:
    """A probe in the water that read these ten-second medians, oldest first."""
    conductivities = [float(gsw.C_from_SP(max(each, 0.002), 24.0, 0.0)) for each in medians]
    times_s = [10.0 * n for n in range(len(medians))]
    bins = PlaceBins(0.0, [], times_s, conductivities, [24.0] * len(medians), list(medians))
    return PlaceState(bins)


def phases_after(state: BatchState, *medians: float, t_s: float = 1000.0) -> list[str]:
    """The phases that follow from a level with these medians."""
    level, place = level_of(*medians), place_of(*medians)
    return entered(on_level(state, level, t_s, "mix-1", NOON, SETTINGS, place))


def entered(steps: list[Happening]) -> list[str]:
    """The phases that steps lead to."""
    return [str(each.body.to) for each in steps if isinstance(each.body, PhaseChanged)]


def judged(state: BatchState, salinity: float, probe_u: float = 0.1) -> list[Happening]:
    """What follows when salinity is called steady."""
    return on_stabilised(state, Stabilised(salinity, 0.01, {}), probe_u, 1000.0, SETTINGS)


@pytest.mark.parametrize(
    "medians, phases",
    [
        ([0.0] * 6, ["blank"]),
        ([1.0] * 6, ["blank"]),
        ([0.0] * 5, []),
        ([0.0] * 5 + [1.2], []),
        ([34.0] * 30, []),
        ([20.0] * 10 + [20.5, 21.5, 22.5], ["dissolving"]),
        ([20.0] * 10 + [22.5, 22.5, 22.5], []),  # the probe was put into other water
        ([34.0] * 10 + [33.0, 32.0, 31.0], []),  # still falling: too early to name it
        ([34.0] * 10 + [33.0] * 6, []),  # it may be a bubble
    ],
)
def test_what_begins_a_batch(medians: list[float], phases: list[str]) -> None:
    """Purified water, or a change that has come to rest."""
    assert phases == phases_after(BatchState(), *medians)


@pytest.mark.parametrize(
    "medians, phases",
    [
        ([0.0] * 10 + [0.2] * 3, []),
        ([0.0] * 10 + [0.2, 0.4, 0.6, 0.8], ["dissolving"]),
        ([0.0, 0.0, 5.0, 9.0, 14.0], ["dissolving"]),
        ([0.0] * 10 + [34.0] * 3, []),  # it may be in a beaker
        ([0.9] * 30, []),
        ([17.0, 15.0, 13.0], []),  # water still running onto a heel
        ([17.0, 15.0, 13.0, 12.0, 11.5, 11.3, 11.2], []),
    ],
)
def test_what_is_salt_in_purified_water(medians: list[float], phases: list[str]) -> None:
    """A rise by 0.3 over the least that was seen; not a fall."""
    state = BatchState(
        Phase.BLANK, "mix-1-20260302-1", "20260302", 1, levels=WaterLevels(before_salt=medians[0])
    )

    assert phases == phases_after(state, *medians)


def test_a_top_up_by_less_than_half_ends_nothing() -> None:
    """Thinned to two thirds it is the same batch, off target perhaps."""
    state = BatchState(
        Phase.READY,
        "b",
        "20260302",
        1,
        levels=WaterLevels(peak=34.0),
        judgement=Judgement(salinity=34.0),
        age=Age(released_s=0.0),
    )

    assert [] == phases_after(state, *[23.0] * 10)


@pytest.mark.parametrize(
    "salinity, probe_u, phases",
    [
        (34.0, 0.1, ["verifying", "ready"]),
        (33.3, 0.1, ["verifying", "ready"]),
        (33.05, 0.1, ["verifying"]),
        (32.9, 0.1, ["verifying"]),
        (32.7, 0.1, ["verifying", "off_target"]),
        (35.5, 0.1, ["verifying", "off_target"]),
        (34.0, 0.6, ["verifying"]),
        (34.0, 0.0, ["verifying", "ready"]),
    ],
)
def test_the_verdict_needs_confidence_either_way(
    salinity: float, probe_u: float, phases: list[str]
) -> None:
    """33 to 35 with 95 %: what is not surely in or out waits."""
    state = BatchState(Phase.DISSOLVING, "b")
    steps = judged(state, salinity, probe_u)

    assert Kind.STABILISED is steps[0].body.kind
    assert phases == entered(steps)
    assert bool(state.advice.text) == (phases[-1] != "ready")


def test_the_uncertainty_of_the_call_is_that_of_probe_scatter_and_place() -> None:
    """0.3, 0.4 and ± 2.078 (u = 1.2) make 1.3, in quadrature (JCGM 100:2008, 5.1.2)."""
    state = BatchState(Phase.DISSOLVING, "b")
    settings = replace(SETTINGS, homogeneity_ppt=1.2 * 3.0**0.5)
    steps = on_stabilised(state, Stabilised(34.0, 0.4, {}), 0.3, 0.0, settings)

    assert 1.3 == facts_in(steps[0])["salinity_u"]


def test_undecided_is_judged_again_each_minute_as_readings_come() -> None:
    """The advice is given once; when the level has moved inside, the batch is released."""
    state = BatchState(Phase.DISSOLVING, "b")
    judged(state, 33.05)

    assert [] == on_more_readings(state, level_of(*[33.5] * 30), 1059.0, SETTINGS)
    assert [] == on_more_readings(state, level_of(*[33.06] * 30), 1060.0, SETTINGS)
    assert ["ready"] == entered(on_more_readings(state, level_of(*[33.5] * 30), 1120.0, SETTINGS))
    assert "" == state.advice.text


def test_water_on_its_way_is_not_judged_again() -> None:
    """While it is thinned it passes values that would release it, and stays at none of them."""
    state = BatchState(Phase.DISSOLVING, "b")
    judged(state, 34.95)
    falling = [34.9 - 0.02 * bin_ for bin_ in range(30)]

    assert [] == on_more_readings(state, level_of(*falling), 1060.0, SETTINGS)
    assert ["ready"] == entered(on_more_readings(state, level_of(*[34.3] * 30), 1120.0, SETTINGS))


@pytest.mark.parametrize("bubble", [[30.0] * 12, [26.0] * 5])
def test_a_bubble_brings_no_undecided_batch_to_its_release(bubble: list[float]) -> None:
    """What is too high to be released does not become right by readings that are too low."""
    state = BatchState()
    state.phase = Phase.DISSOLVING
    judged(state, 34.95)
    assert Phase.VERIFYING is state.phase
    level = level_of(*[34.95] * 10, *bubble, *[34.95] * 8)

    assert [] == entered(on_more_readings(state, level, 1060.0, SETTINGS))
    assert 34.95 == state.judgement.salinity


@pytest.mark.parametrize("phase", [Phase.IDLE, Phase.BLANK])
def test_steadiness_without_salt_is_nothing(phase: Phase) -> None:
    """The detector may find still water steady; no batch follows from it."""
    state = BatchState(phase)

    assert [] == judged(state, 34.0)
    assert [] == on_disturbed(state, Disturbed("salt", 1.0, {}), 0.0, SETTINGS)


@pytest.mark.parametrize("phase", STEADY)
@pytest.mark.parametrize("cause", ["salt", "water", "pump", "something new"])
def test_a_disturbance_takes_back_the_release(phase: Phase, cause: str) -> None:
    """Whatever the verdict was, it is of other water now; its age is that of the water."""
    state = BatchState(
        phase,
        "b",
        age=Age(released_s=5.0),
        advice=Advice(text="use it"),
        judgement=Judgement(probability=0.99),
    )
    steps = on_disturbed(state, Disturbed(cause, -0.5, {}), 1000.0, SETTINGS)

    assert [(Kind.DISTURBED, cause), (Kind.PHASE, None)] == [
        (each.body.kind, facts_in(each).get("cause")) for each in steps
    ]
    assert (Phase.DISSOLVING, "") == (state.phase, state.advice.text)
    assert 995.0 / HOUR_S == age_h(state, 1000.0)


@pytest.mark.parametrize("phase", STEADY)
def test_a_drift_takes_back_no_verdict_and_has_the_water_judged_at_once(phase: Phase) -> None:
    """Nothing is being mixed: what the water reads now decides."""
    state = BatchState(
        phase,
        "b",
        age=Age(released_s=5.0),
        advice=Advice(text="use it"),
        judgement=Judgement(salinity=34.0, salinity_u=0.1, mean=34.0, mean_bins=99, judged_s=999.0),
        confirmed_by="R. Marsh",
        second=SecondReading(34.0, 0.2, "lab"),
    )
    steps = on_disturbed(state, Disturbed("drift", 0.2, {}), 1000.0, SETTINGS)

    assert [(Kind.DISTURBED, "drift")] == [
        (each.body.kind, facts_in(each)["cause"]) for each in steps
    ]
    assert (phase, 995.0 / HOUR_S, "use it") == (
        state.phase,
        age_h(state, 1000.0),
        state.advice.text,
    )
    assert (None, 0, None) == (
        state.judgement.mean,
        state.judgement.mean_bins,
        state.judgement.judged_s,
    )
    assert (1000.0, "", None) == (state.drifted_s, state.confirmed_by, state.second)


def test_a_drift_does_not_settle_what_two_instruments_disagree_about() -> None:
    """A reading that contradicts stays until another one is taken."""
    contradicts = SecondReading(31.0, 0.2, "lab")
    state = BatchState(
        Phase.VERIFYING,
        "b",
        judgement=Judgement(salinity=34.0, salinity_u=0.1),
        second=contradicts,
    )
    on_disturbed(state, Disturbed("drift", 0.2, {}), 1000.0, SETTINGS)

    assert contradicts == state.second


@pytest.mark.parametrize("hours, phases", [(23.99, []), (24.0, []), (24.01, ["stale"])])
def test_stale_comes_after_the_hours_and_not_before(hours: float, phases: list[str]) -> None:
    """To the minute: use within 24 h means within."""
    state = BatchState(
        Phase.READY,
        "b",
        judgement=Judgement(salinity=34.0),
        levels=WaterLevels(peak=34.0),
        age=Age(released_s=1000.0),
    )

    assert phases == entered(on_time(state, 1000.0 + hours * HOUR_S, SETTINGS))


@pytest.mark.parametrize("phase", [Phase.OFF_TARGET, Phase.VERIFYING, Phase.DISSOLVING])
def test_only_what_was_released_grows_stale(phase: Phase) -> None:
    """A batch that was never released has no use-by."""
    assert [] == on_time(BatchState(phase, "b"), 1e6, SETTINGS)


@pytest.mark.parametrize(
    "phase, phases",
    [
        (Phase.VERIFYING, ["stale"]),
        (Phase.READY, ["stale"]),
        (Phase.OFF_TARGET, []),
        (Phase.DISSOLVING, []),
        (Phase.STALE, []),
    ],
)
def test_old_water_that_was_released_is_stale_once_it_is_not_known_to_be_worse(
    phase: Phase, phases: list[str]
) -> None:
    """Off target is the more important word; what is being mixed is judged when it is steady."""
    state = BatchState(phase, "b", age=Age(released_s=0.0))

    assert phases == entered(on_time(state, 25.0 * HOUR_S, SETTINGS))


def test_nothing_is_reported_before_there_is_a_level() -> None:
    """Two bins are no level."""
    assert [] == phases_after(BatchState(), 0.0, 0.0)


def test_the_limits_are_those_of_the_configuration() -> None:
    """Another target and tolerance, another verdict on the same water."""
    state = BatchState(Phase.DISSOLVING, "b")
    settings = replace(SETTINGS, target_ppt=25.0, tolerance_ppt=0.5)
    steps = on_stabilised(state, Stabilised(34.0, 0.01, {}), 0.1, 0.0, settings)

    assert "off_target" == entered(steps)[-1]
    assert "24.5 to 25.5 ppt" in str(facts_in(steps[2])["why"])
