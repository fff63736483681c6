"""When a batch is judged and by which readings: moments and figures by hand."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from daemon.entries import Phase
from daemon.mixing.batch.batch_state import BatchState, Judgement
from daemon.mixing.batch.verification import on_confirmed, on_more_readings, on_stabilised
from daemon.mixing.stability.detector import Stabilised
from daemon.mixing.stability.level import Level
from tests.parts.events import facts_in
from tests.parts.stories import BATCH

SURE = replace(BATCH, homogeneity_ppt=0.03)
CALL = Stabilised(33.98765, 0.02, {"window_min": 20})


def verifying(**more: float | None) -> BatchState:
    """A batch of 34.0 that waits for its verdict since second 1000."""
    judgement = Judgement(salinity=34.0, salinity_u=0.1, noise_u=0.02, judged_s=1000.0)
    return BatchState(Phase.VERIFYING, "b", judgement=replace(judgement, **more))  # type: ignore[arg-type]


def level_of(*bins: tuple[float, float], u: float | None = 0.1) -> Level:
    """A level with these bins: second and salinity."""
    return Level(
        times_s=[at for at, _ in bins],
        medians=[salinity for _, salinity in bins],
        uncertainties=[u] * len(bins),
    )


def test_a_call_is_worth_what_probe_scatter_and_place_are_worth() -> None:
    """0.1 of the probe, 0.02 of scatter and 0.03/√3 of the place add as squares."""
    state = BatchState(Phase.DISSOLVING, "b")
    said = [facts_in(each) for each in on_stabilised(state, CALL, 0.1, 1000.0, SURE)]

    assert math.sqrt(0.1**2 + 0.02**2 + 0.03**2 / 3.0) == pytest.approx(state.judgement.salinity_u)
    assert (33.9877, round(state.judgement.salinity_u or 0.0, 4)) == (
        said[0]["salinity"],
        said[0]["salinity_u"],
    )
    assert ("dissolving", "verifying") == (said[1]["from"], said[1]["to"])


def test_a_call_without_a_reading_is_not_judged() -> None:
    """Nobody knows what the probe is worth: verified, and no verdict."""
    state = BatchState(Phase.DISSOLVING, "b")
    said = [facts_in(each) for each in on_stabilised(state, CALL, None, 1000.0, SURE)]

    assert (Phase.VERIFYING, None, None) == (
        state.phase,
        state.judgement.salinity_u,
        state.judgement.probability,
    )
    assert "verifying waits until there are readings that can be used" == said[-1]["advice"]


@pytest.mark.parametrize(
    "salinity, cause, change", [(34.5, "salt", 0.512), (33.5, "water", -0.488)]
)
def test_water_that_changed_unwatched_says_from_what_to_what(
    salinity: float, cause: str, change: float
) -> None:
    """The figures behind it to four decimals, the change to three."""
    state = BatchState(
        Phase.READY, "b", judgement=Judgement(salinity=33.98765, salinity_u=0.1, noise_u=0.02)
    )
    first, *_ = on_stabilised(state, replace(CALL, salinity=salinity), 0.1, 5000.0, SURE)

    assert {
        "cause": cause,
        "change": pytest.approx(change, abs=6e-4),
        "reason": {"called": 33.9877, "salinity": salinity},
    } == facts_in(first)


def test_water_that_is_as_it_was_is_not_disturbed() -> None:
    """A released batch that is called steady again stays released."""
    state = BatchState(
        Phase.READY, "b", judgement=Judgement(salinity=33.98765, salinity_u=0.1, noise_u=0.02)
    )

    assert [] == on_stabilised(state, CALL, 0.1, 5000.0, SURE)
    assert Phase.READY is state.phase


@pytest.mark.parametrize("phase", [Phase.IDLE, Phase.BLANK])
def test_without_salt_nothing_is_called(phase: Phase) -> None:
    """Purified water at rest is no batch."""
    assert [] == on_stabilised(BatchState(phase), CALL, 0.1, 1000.0, SURE)


@pytest.mark.parametrize("t_s, judged", [(1059.9, False), (1060.0, True)])
def test_an_undecided_batch_is_judged_again_each_minute(
    t_s: float,
    judged: bool,  # noqa: FBT001 - a column of the table
) -> None:
    """And not before."""
    state = verifying()
    level = level_of(*((t_s - 10.0 * n, 34.1) for n in range(5, 0, -1)))
    on_more_readings(state, level, t_s, SURE)

    assert (34.1 if judged else 34.0) == state.judgement.salinity


def test_it_is_judged_by_the_bins_of_the_last_five_and_a_half_minutes() -> None:
    """The bin of 330 s before the last one counts, the one before it does not."""
    state = verifying()
    bins = [(659.9, 30.0), (670.0, 34.3), (980.0, 34.1), (1000.0, 34.2)]
    level = level_of((669.9, 30.0), *bins[1:])
    level.uncertainties[0] = 0.9
    on_confirmed(state, "keeper", level, 1100.0, SURE)

    assert pytest.approx(34.2) == state.judgement.salinity
    assert math.sqrt(0.1**2 + 0.02**2 + 0.03**2 / 3.0) == pytest.approx(state.judgement.salinity_u)


@pytest.mark.parametrize("t_s, judged", [(1330.0, True), (1330.1, False)])
def test_a_confirmation_judges_by_no_reading_that_is_older(
    t_s: float,
    judged: bool,  # noqa: FBT001 - a column of the table
) -> None:
    """330 s after the last bin it still counts."""
    state = verifying()
    level = level_of((980.0, 34.1), (990.0, 34.1), (1000.0, 34.1))
    said = [facts_in(each) for each in on_confirmed(state, "keeper", level, t_s, SURE)]

    assert (34.1 if judged else 34.0) == state.judgement.salinity
    waits = [facts for facts in said if "readings that can be used" in str(facts.get("advice"))]
    assert judged == (not waits)
    assert "keeper" == state.confirmed_by


def test_a_confirmation_is_no_reading() -> None:
    """Where no bin is worth anything that is known, what was called stays as it was."""
    state = verifying()
    level = level_of((980.0, 34.1), (990.0, 34.1), (1000.0, 34.1), u=None)
    on_confirmed(state, "keeper", level, 1010.0, SURE)

    assert (34.0, 0.1) == (state.judgement.salinity, state.judgement.salinity_u)


def test_a_mean_grows_by_one_bin_at_a_time() -> None:
    """Three bins of 34.0, then one of 34.4: the mean is 34.1."""
    state = verifying()
    level = level_of((980.0, 34.0), (990.0, 34.0), (1000.0, 34.0))
    on_more_readings(state, level, 1001.0, SURE)
    level.times_s.append(1010.0)
    level.medians.append(34.4)
    level.uncertainties.append(0.1)
    on_more_readings(state, level, 1011.0, SURE)

    assert 4 == state.judgement.mean_bins
    assert pytest.approx(34.1) == state.judgement.mean
