"""When a probe has left the water, and what only looks like it.

A reading of every bin of ten seconds tells; the figures are of a jump at the end of six minutes at
rest, so at 1360 s.
"""

from __future__ import annotations

import pytest

from daemon.mixing.probe.departure import departure
from daemon.mixing.probe.place_bins import PlaceBins
from daemon.mixing.probe.place_state import Away, PlaceState, Returned, Water
from tests.parts.places import Hand

LIFTED_S = 1360.0


def left(hand: Hand) -> Away:
    """How it left, where that was found."""
    assert hand.kinds()[:1] == ["Left"]
    assert hand.state.away is not None
    return hand.state.away


@pytest.mark.parametrize("period_s", [1.0, 10.0, 30.0])
@pytest.mark.parametrize("lag_s", [0.0, 10.0])
def test_a_probe_in_air_has_left_the_water_in_which_it_rested(
    period_s: float, lag_s: float
) -> None:
    """At 34 for six minutes, in air for three: it left within two bins or readings."""
    away = left(Hand(period_s, lag_s).rests(6, 34.0).conducts(3, 0.0))

    assert 34.0 == pytest.approx(away.home.salinity, abs=0.01)
    assert (24.0, False) == (away.home.temperature_C, away.home.moving)
    assert LIFTED_S - 10.0 <= away.since_s <= LIFTED_S + 2.0 * max(period_s, 10.0) + lag_s
    assert not away.shallow


@pytest.mark.parametrize("period_s, share", [(20.0, 0.6), (20.0, 0.5), (30.0, 0.7), (30.0, 0.51)])
def test_the_reading_at_which_a_probe_is_lifted_is_no_water(period_s: float, share: float) -> None:
    """Half in air it reads 0.51 to 0.7 of 50.7 mS/cm, then nothing: it left 34."""
    hand = Hand(period_s).rests(6, 34.0).conducts(period_s / 60.0, share * 50.704)
    hand.conducts(5, 0.0)

    assert 34.0 == pytest.approx(left(hand).home.salinity, abs=0.01)
    assert Returned(same=True) == hand.rests(5, 34.0).found[-1]


@pytest.mark.parametrize("period_s", [1.0, 10.0])
def test_a_probe_in_air_is_known_for_it_within_half_a_minute(period_s: float) -> None:
    """Two bins of ten seconds and the reading that closes the second are no more."""
    assert ["Left"] == Hand(period_s).rests(6, 34.0).conducts(0.5 + period_s / 60.0, 0.0).kinds()


@pytest.mark.parametrize("period_s", [1.0, 10.0, 30.0])
def test_a_beaker_of_a_weak_solution_is_not_the_water_of_the_batch(period_s: float) -> None:
    """7.4 ppt, about 12.88 mS/cm at 25 °C, is a fall below half of what 34 conducts."""
    away = left(Hand(period_s).rests(6, 34.0).rests(3, 7.4))

    assert 34.0 == pytest.approx(away.home.salinity, abs=0.01)
    assert not away.shallow


@pytest.mark.parametrize("period_s", [1.0, 10.0, 30.0])
def test_seawater_standard_is_a_step_of_one_between_two_rests(period_s: float) -> None:
    """35.0 after 34.0 is 1 ppt apart, and no shallow step, as it rises."""
    away = left(Hand(period_s).rests(6, 34.0).rests(4, 35.0))

    assert 34.0 == pytest.approx(away.home.salinity, abs=0.01)
    assert 1.0 == pytest.approx(away.apart_ppt, abs=0.01)
    assert LIFTED_S == pytest.approx(away.since_s, abs=max(30.0, period_s))
    assert not away.shallow


@pytest.mark.parametrize("bubble, shallow", [(20.0, True), (33.0, True), (35.5, False)])
def test_what_reads_lower_by_less_than_half_is_shallow(bubble: float, *, shallow: bool) -> None:
    """20 and 33 of 34 may be a bubble that sticks; no bubble makes it read 35.5."""
    assert shallow == left(Hand().rests(6, 34.0).rests(4, bubble)).shallow


def test_a_step_within_the_same_is_none() -> None:
    """A quarter of a ppt is less than the 0.3 within which salinity counts as the same."""
    hand = Hand().rests(6, 34.0).rests(6, 34.25)

    assert ([], None) == (hand.found, hand.state.away)


def test_a_film_that_drains_has_left_once_a_tenth_of_the_water_is_reached() -> None:
    """From 34 evenly to 1 in five minutes nothing is sudden; below a tenth it is no water."""
    away = left(Hand().rests(6, 34.0).ramps(5, 34.0, 1.0).rests(1, 1.0))

    assert 34.0 == pytest.approx(away.home.salinity, abs=0.5)


def test_after_a_silence_it_has_left_if_it_reads_less_than_half() -> None:
    """34 before ten minutes without readings and 16 after; 18 might be the same water, thinned."""
    hand = Hand().rests(6, 34.0).silent(10).rests(0.8, 16.0)
    away = left(hand)

    assert 34.0 == pytest.approx(away.home.salinity, abs=0.01)
    assert LIFTED_S + 600.0 == pytest.approx(away.since_s, abs=10.0)
    assert [] == Hand().rests(6, 34.0).silent(10).rests(5, 18.0).found


def test_one_bin_of_air_may_be_a_bubble() -> None:
    """Ten seconds of nothing and then the water again are no departure."""
    assert [] == Hand().rests(6, 34.0).conducts(10 / 60.0, 0.0).rests(5, 34.0).found


def test_from_purified_water_nobody_falls() -> None:
    """Water that conducts 0.01 mS/cm and then nothing has no height to fall from."""
    assert [] == Hand().conducts(6, 0.01).conducts(5, 0.0).found


def test_nothing_is_known_of_a_probe_without_a_past() -> None:
    """One bin of air is no departure from anywhere; of a home of 0 mS/cm nobody knows the level."""
    bins = PlaceBins(0.0, [], [0.0], [0.0], [24.0], [0.0])

    assert departure(PlaceState(bins)) is None
    assert departure(PlaceState(bins, home=Water(0.0, 24.0, 34.0, 0.0))) is None


# --- what is no departure -----------------------------------------------------------------------


@pytest.mark.parametrize("period_s", [1.0, 10.0, 30.0])
@pytest.mark.parametrize("to, minutes", [(30.0, 3.0), (25.0, 5.0), (18.0, 4.0)])
def test_a_top_up_of_minutes_is_water(period_s: float, to: float, minutes: float) -> None:
    """Purified water that thins 34 within minutes passes through all that lies between."""
    hand = Hand(period_s).rests(6, 34.0).ramps(minutes, 34.0, to).rests(8, to)

    assert "Left" not in hand.kinds()


@pytest.mark.parametrize("period_s", [1.0, 10.0, 30.0])
@pytest.mark.parametrize("start, end", [(0.1, 34.0), (0.1, 5.0), (17.0, 34.0), (32.0, 34.0)])
def test_salt_that_goes_into_solution_in_two_minutes_is_water(
    period_s: float, start: float, end: float
) -> None:
    """With a time constant of two minutes nothing of the rise is at once."""
    hand = Hand(period_s).rests(6, start).dissolves(15, start, end, tau_s=120.0)

    assert "Left" not in hand.kinds()


@pytest.mark.parametrize("period_s", [1.0, 10.0, 30.0])
def test_evaporation_is_water(period_s: float) -> None:
    """6 L a day of 180 L are 3.4 %, 0.05 ppt an hour; ten times that shows no step either."""
    assert [] == Hand(period_s).rests(6, 34.0).ramps(60, 34.0, 34.5).found


@pytest.mark.parametrize("period_s", [1.0, 10.0, 30.0])
def test_a_thermometer_that_lags_is_no_salt(period_s: float) -> None:
    """The pump warms water by 1 °C in ten minutes, and the thermometer is two minutes behind."""
    hand = Hand(period_s, warmth_lag_s=120.0).rests(6, 34.0)
    for n in range(10):
        hand.rests(1, 34.0, 24.1 + 0.1 * n)
    hand.rests(10, 34.0, 25.0)

    assert [] == hand.found


@pytest.mark.parametrize("period_s", [1.0, 10.0, 30.0])
def test_noise_of_one_per_cent_is_no_departure(period_s: float) -> None:
    """Half an hour of readings that scatter by 0.34 ppt about 34."""
    assert [] == Hand(period_s, noise=0.01).rests(30, 34.0).found


@pytest.mark.parametrize("period_s", [1.0, 10.0])
def test_a_noisy_probe_in_air_has_left_all_the_same(period_s: float) -> None:
    """Noise of one per cent hides no fall to nothing, and none hides that it comes back."""
    hand = Hand(period_s, noise=0.01).rests(6, 34.0).conducts(10, 0.0).rests(4, 34.0)

    assert ["Left", "Returned"] == hand.kinds()
    assert Returned(same=True) == hand.found[1]
