"""Advice reckons with the water that is there, as far as its salinity tells."""

from __future__ import annotations

import re

import pytest

from daemon.mixing.batch.batch_state import BatchSettings, BatchState, Judgement, Volume
from daemon.mixing.batch.volume import on_added, on_steady, on_used, present_l, vessel_of
from daemon.mixing.seawater.dosing import correct, outcome
from tests.parts.people import Bench, a_batch

SETTINGS = BatchSettings()


def steady(salinity: float) -> BatchState:
    """A batch that was called steady at this salinity in the usual 180 L."""
    state = BatchState()
    on_steady(state, salinity, SETTINGS)
    state.judgement = Judgement(salinity, 0.1)
    return state


def thinned(state: BatchState, salinity: float) -> BatchState:
    """The batch after water came and it was called steady again at this salinity."""
    on_added(state, "water")
    on_steady(state, salinity, SETTINGS)
    state.judgement.salinity = salinity
    return state


@pytest.mark.parametrize("litres", [3.0, 9.0, 30.0])
def test_water_that_came_is_reckoned_by_how_it_thinned(litres: float) -> None:
    """The balance of masses of the dosing equations says the same within half a per cent."""
    reached = outcome(180.0, 35.7, purified_water_l=litres).salinity

    assert 180.0 + litres == pytest.approx(
        present_l(thinned(steady(35.7), reached), SETTINGS), rel=0.005
    )


def test_two_top_ups_add_up() -> None:
    """Each is reckoned from what was there before it."""
    first = outcome(180.0, 36.0, purified_water_l=6.0).salinity
    second = outcome(186.0, first, purified_water_l=6.0).salinity
    state = thinned(thinned(steady(36.0), first), second)

    assert 192.0 == pytest.approx(present_l(state, SETTINGS), abs=0.4)


def test_salt_leaves_the_volume_as_it_is() -> None:
    """Also after water came."""
    state = thinned(steady(35.7), 34.0)
    before = present_l(state, SETTINGS)
    on_added(state, "salt")
    on_steady(state, 35.0, SETTINGS)
    state.judgement.salinity = 35.0

    assert before == present_l(state, SETTINGS)


def test_water_that_went_into_the_air_is_missing() -> None:
    """From 34 to 35.4, 180 L have become 172.9; a top-up to 34 makes them 180 again."""
    state = steady(34.0)
    state.judgement.salinity = 35.4
    assert 172.9 == pytest.approx(present_l(state, SETTINGS), abs=0.1)

    assert 180.0 == pytest.approx(present_l(thinned(state, 34.0), SETTINGS), abs=0.1)


def test_more_than_the_vessel_holds_was_drawn_before() -> None:
    """From 34 to 20 would be 306 L: it is a filling again."""
    state = thinned(steady(34.0), 20.0)

    assert (180.0, False) == (present_l(state, SETTINGS), vessel_of(state, SETTINGS).estimated)


def test_what_is_used_is_taken_away() -> None:
    """Of an estimate as of what was filled."""
    for state, whole_l in ((steady(34.0), 180.0), (thinned(steady(35.7), 34.0), 189.0)):
        on_used(state, 40.0)
        assert whole_l - 40.0 == pytest.approx(present_l(state, SETTINGS), abs=0.01)
        assert 40.0 == state.used_l


def test_nothing_is_estimated_before_anything_came() -> None:
    """What was filled is given as it was, and scatter of a tenth changes nothing."""
    state = steady(34.0)
    state.judgement.salinity = 34.1

    assert (180.0, False) == (
        vessel_of(state, SETTINGS).fill_l,
        vessel_of(state, SETTINGS).estimated,
    )


def test_an_unknown_salinity_changes_no_volume() -> None:
    """Neither before the first call nor while nothing is read."""
    state = thinned(steady(35.7), 34.0)
    before = present_l(state, SETTINGS)
    state.judgement.salinity = None

    assert before == present_l(state, SETTINGS)
    assert 180.0 == present_l(BatchState(), SETTINGS)
    on_added(BatchState(), "water")


def topped_up() -> Bench:
    """A batch of 35.7 in 180 L that was thinned too far, to 31.7, in what are 202.7 L then."""
    bench = a_batch(35.7)
    bench.story.dissolve(31.7, 45)
    bench.run()
    assert "off_target" == bench.phase
    return bench


def test_the_advice_after_a_top_up_is_for_the_water_that_is_there() -> None:
    """Salt for 202.7 L, said to be estimated; for 180 L it would be an eighth too little."""
    bench = topped_up()
    expected = correct(180.0 * 35.7 / 31.7, 31.7, 34.0, 0.881).salt_g
    found = bench.snapshot["advice_salt_g"]
    assert isinstance(found, float)

    assert expected == pytest.approx(found, rel=0.02)
    assert re.search(r"to about 20[23]\.\d L \(estimated\)", bench.advice)


def test_a_new_batch_is_filled_as_usual() -> None:
    """Nothing of the estimate outlives its batch."""
    bench = topped_up()
    bench.story.refilled().still(5).dissolve(31.7, 45)
    bench.run()

    assert "off_target" == bench.phase
    assert "to 180 L" in bench.advice
    assert Volume(salinity=bench.station.state.reservoirs["mix-1"].batch.volume.salinity) == (
        bench.station.state.reservoirs["mix-1"].batch.volume
    )
