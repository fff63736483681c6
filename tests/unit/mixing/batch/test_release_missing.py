"""A reading that does not come at the decisive moment makes nothing surer."""

from __future__ import annotations

from dataclasses import replace

import pytest

from daemon.entries import Entry, Kind, Phase, Sample
from daemon.journal.event_codec import facts_of
from daemon.mixing.batch.batch_state import BatchState, Judgement
from daemon.mixing.batch.verification import on_more_readings, on_stabilised
from daemon.mixing.stability.detector import Stabilised
from daemon.mixing.stability.level import Level
from tests.parts.events import facts_in
from tests.parts.stories import BATCH, Story, a_station, mixed, number, of, phases

GAPS = [0, 1, 3, 40]
"""Readings missing before the one at which the call falls, which is missing itself."""


def samples_of(salinity: float) -> list[Sample]:
    """What the probe says of a batch of this salinity."""
    return mixed(salinity).samples


def entries_of(samples: list[Sample]) -> list[Entry]:
    """What a station says to them."""
    station = a_station(BATCH, 0.5)
    return [entry for sample in samples for entry in station.advance(sample)]


def without(samples: list[Sample], last: int, count: int) -> list[Sample]:
    """The same, with no reply for some samples up to one."""
    return [
        replace(each, conductivity_mS_cm=None, temperature_C=None, fault="no reply")
        if last - count <= n <= last
        else each
        for n, each in enumerate(samples)
    ]


def call_index(samples: list[Sample], entries: list[Entry]) -> int:
    """Number of the sample at which mixing was called over."""
    (called,) = of(entries, Kind.STABILISED)
    return next(n for n, each in enumerate(samples) if each.at == called.at)


@pytest.mark.parametrize("gap", GAPS)
def test_a_call_without_its_reading_has_the_uncertainty_of_those_before(gap: int) -> None:
    """Not ± 0.01 and certain, but what the probe was worth just before."""
    samples = samples_of(33.12)
    whole = entries_of(samples)
    (sure,) = of(whole, Kind.STABILISED)
    entries = entries_of(without(samples, call_index(samples, whole), gap))
    found = of(entries, Kind.STABILISED)

    assert "verifying" == phases(whole)[-1] == phases(entries)[-1]
    assert 1 == len(found)
    assert number(sure, "salinity_u") == pytest.approx(number(found[0], "salinity_u"), rel=0.05)
    assert number(found[0], "salinity_u") > 0.2


def test_a_call_that_no_reading_vouches_for_is_not_judged() -> None:
    """Neither released nor refused, and it says what it waits for; the next readings decide."""
    state = BatchState(Phase.DISSOLVING, "b")
    steps = on_stabilised(state, Stabilised(34.0, 0.01, {}), None, 0.0, BATCH)

    assert (None, None) == (state.judgement.salinity_u, state.judgement.probability)
    assert Phase.VERIFYING is state.phase
    assert None is facts_in(steps[0])["salinity_u"]
    assert "waits until there are readings" in state.advice.text
    level = Level()
    for n in range(400):
        level.advance(float(n), 34.0, 0.2)
    later = on_more_readings(state, level, 400.0, BATCH)
    assert "ready" == facts_of(later[-1].body)["to"]


def test_a_batch_kept_by_another_version_is_judged_once_scatter_is_known() -> None:
    """An update in the midst of verifying loses no batch: the next call tells what is missing."""
    state = BatchState(
        Phase.VERIFYING, "b", judgement=Judgement(salinity=34.0, salinity_u=0.2, judged_s=0.0)
    )
    level = Level()
    for n in range(400):
        level.advance(float(n), 34.0, 0.2)
    assert [] == on_more_readings(state, level, 400.0, BATCH)
    on_stabilised(state, Stabilised(34.0, 0.01, {}), 0.2, 500.0, BATCH)

    assert "ready" == facts_of(on_more_readings(state, level, 600.0, BATCH)[-1].body)["to"]


def test_a_level_of_which_a_part_is_not_known_has_no_uncertainty() -> None:
    """Salinity without a figure for its worth is no better than none."""
    level = Level()
    for n in range(60):
        level.advance(float(n), 34.0, None if 30 <= n < 40 else 0.2)

    assert None is level.u_since(0.0)
    assert 0.2 == level.u_since(40.0)
    assert None is level.u_since(1000.0)


def test_water_at_a_limit_is_not_released_by_looking_often() -> None:
    """Judged each minute for hours by noisy readings, it stays where its first look put it."""
    story = Story()
    story.still(3).dissolve(33.33, 300.0)
    entries = story.play(a_station(BATCH, 0.5))

    assert ["blank", "dissolving", "verifying"] == phases(entries)
