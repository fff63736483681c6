"""Water that was released, refused or has expired is judged by what it reads now."""

from __future__ import annotations

import random

import pytest

from daemon.entries import Phase
from daemon.mixing.batch.batch_state import Age, BatchSettings, BatchState, Judgement
from daemon.mixing.batch.rejudgement import judge_again
from daemon.mixing.events import Happening, PhaseChanged
from tests.parts.events import facts_in

SETTINGS = BatchSettings()


def steady(
    phase: Phase, salinity: float, longer: float | None = None, u: float = 0.1
) -> BatchState:
    """A batch that reads this now, and something else over a longer time where that is given."""
    before = salinity if longer is None else longer
    judgement = Judgement(salinity, u, 0.02, minutes=[before] * 20, released_salinity=34.0)
    return BatchState(phase, "b", judgement=judgement, age=Age(released_s=0.0, was_released=True))


def entered(steps: list[Happening]) -> list[str]:
    """The phases that steps lead to."""
    return [str(each.body.to) for each in steps if isinstance(each.body, PhaseChanged)]


@pytest.mark.parametrize(
    "phase, salinity, phases",
    [
        # u = 0.1 proves the outside by 0.164 with 95 %, and the inside as well.
        (Phase.READY, 34.9, []),
        (Phase.READY, 34.99, []),
        (Phase.READY, 35.01, ["verifying"]),
        (Phase.READY, 35.16, ["verifying"]),
        (Phase.READY, 35.17, ["off_target"]),
        (Phase.READY, 33.01, []),
        (Phase.READY, 32.99, ["verifying"]),
        (Phase.READY, 32.83, ["off_target"]),
        (Phase.OFF_TARGET, 35.17, []),
        (Phase.OFF_TARGET, 35.01, []),
        (Phase.OFF_TARGET, 34.91, []),
        (Phase.OFF_TARGET, 34.89, ["verifying"]),
        (Phase.OFF_TARGET, 34.5, ["verifying", "ready"]),
        (Phase.OFF_TARGET, 33.09, []),
        (Phase.OFF_TARGET, 33.11, ["verifying"]),
        (Phase.STALE, 34.0, []),
        (Phase.STALE, 35.1, []),
        (Phase.STALE, 35.17, ["off_target"]),
    ],
)
def test_present_readings_decide(phase: Phase, salinity: float, phases: list[str]) -> None:
    """Limits 33 to 35, by proof one way and by a deadband of 0.1 the other way."""
    assert phases == entered(judge_again(steady(phase, salinity), 3600.0, SETTINGS))


@pytest.mark.parametrize(
    "phase, now, longer",
    [
        (Phase.READY, 36.0, 34.9),
        (Phase.READY, 34.9, 36.0),
        (Phase.READY, 32.0, 36.0),
        (Phase.OFF_TARGET, 34.0, 35.3),
        (Phase.OFF_TARGET, 35.3, 34.0),
        (Phase.STALE, 36.0, 34.9),
    ],
)
def test_one_look_alone_moves_nothing(phase: Phase, now: float, longer: float) -> None:
    """The last minutes and the longer time must say the same."""
    assert [] == entered(judge_again(steady(phase, now, longer), 3600.0, SETTINGS))


@pytest.mark.parametrize("phase", [Phase.READY, Phase.OFF_TARGET, Phase.STALE])
def test_nothing_moves_before_there_is_a_longer_time(phase: Phase) -> None:
    """Nine minutes are none, as after a gap."""
    state = steady(phase, 34.0 if phase is Phase.OFF_TARGET else 37.0)
    del state.judgement.minutes[9:]

    assert [] == entered(judge_again(state, 3600.0, SETTINGS))


@pytest.mark.parametrize("phase", [Phase.READY, Phase.OFF_TARGET, Phase.VERIFYING])
def test_old_water_is_never_ready_again(phase: Phase) -> None:
    """Inside with proof after its hours, it is stale and not released."""
    state = steady(phase, 34.0)
    found = entered(judge_again(state, 25.0 * 3600.0, SETTINGS))

    assert "ready" not in found
    assert (Phase.READY if phase is Phase.READY else Phase.STALE) is state.phase


def test_the_correction_of_refused_water_follows_what_it_reads() -> None:
    """Said once as an event; the figures are those of the present."""
    state = steady(Phase.READY, 35.3)
    first = judge_again(state, 3600.0, SETTINGS)
    before_l = state.advice.water_l
    state.judgement.salinity = 36.0
    state.judgement.minutes = [36.0] * 20

    assert ["phase", "advice"] == [str(each.body.kind) for each in first]
    assert "35.30 ± 0.20 ppt (k=2) is outside 33 to 35 ppt" == facts_in(first[0])["why"]
    assert [] == judge_again(state, 3660.0, SETTINGS)
    assert before_l is not None
    assert before_l * 2.0 / 1.3 == pytest.approx(state.advice.water_l, rel=0.02)


@pytest.mark.parametrize("level", [34.75, 34.9, 35.0, 35.1, 35.16])
@pytest.mark.parametrize("scatter", [0.02, 0.1])
def test_noise_about_a_limit_moves_a_batch_at_most_once_each_way(
    level: float, scatter: float
) -> None:
    """Two days of water that stays where it is, whichever limit of the rule it is near."""
    dice = random.Random(f"{level}/{scatter}")
    state, moves = steady(Phase.READY, 34.5), list[str]()
    for minute in range(2 * 24 * 60):
        now = level + dice.gauss(0.0, scatter / 5.0)
        state.judgement.minutes = [*state.judgement.minutes[1:], level + dice.gauss(0.0, scatter)]
        state.judgement.salinity = now
        state.judgement.mean = level
        moves += entered(judge_again(state, 60.0 * minute, BatchSettings(use_within_h=100.0)))

    assert len(moves) <= 2


def test_an_unknown_uncertainty_decides_nothing() -> None:
    """What nobody knows the worth of is neither inside nor outside."""
    for phase in (Phase.READY, Phase.OFF_TARGET, Phase.STALE):
        state = steady(phase, 37.0)
        state.judgement.salinity_u = None
        assert [] == judge_again(state, 3600.0, SETTINGS)
