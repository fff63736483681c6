"""Where a probe is: back in the same water, in other water, or still elsewhere.

The water is of 34 for six minutes before anything happens, where nothing else is said.
"""

from __future__ import annotations

import pytest

from daemon.entries import Flag
from daemon.mixing.probe.air_zero import is_water, looks_purified
from daemon.mixing.probe.place import (
    accept,
    course_from,
    is_unsettled,
    leave,
    location,
)
from daemon.mixing.probe.place_bins import PlaceBins
from daemon.mixing.probe.place_state import Course, PlaceState, Replaced, Returned, Water
from tests.parts.places import Hand

PERIODS = pytest.mark.parametrize("period_s", [1.0, 10.0, 30.0])


def in_water(period_s: float = 10.0, salinity: float = 34.0) -> Hand:
    """A probe that has rested in water for six minutes."""
    return Hand(period_s).rests(6, salinity)


# --- returned -----------------------------------------------------------------------------------


@PERIODS
@pytest.mark.parametrize("minutes", [3.0, 15.0, 120.0])
def test_the_same_water_is_back(period_s: float, minutes: float) -> None:
    """34.0 before air and 34.0 after it is the same water, within 0.3."""
    hand = in_water(period_s).conducts(minutes, 0.0).rests(3, 34.0)

    assert ["Left", "Returned"] == hand.kinds()
    assert hand.one(Returned).same
    assert hand.state.away is None


@pytest.mark.parametrize(
    "minutes, back, same",
    [
        (10.0, 34.25, True),
        (10.0, 34.4, False),
        # 0.3 and 0.02 an hour: 0.34 after two hours.
        (120.0, 34.32, True),
        (120.0, 34.4, False),
    ],
)
def test_water_may_differ_by_more_the_longer_the_probe_was_away(
    minutes: float, back: float, *, same: bool
) -> None:
    """Within 0.3 it is the same after minutes, and within 0.34 after two hours."""
    hand = in_water().conducts(minutes, 0.0).rests(5, back)

    assert same == ("Returned" in hand.kinds())
    assert same == (hand.state.away is None)


def test_water_that_came_back_is_known_from_three_bins() -> None:
    """Twenty seconds in the water are not enough; three bins and the reading after them are."""
    hand = in_water(1.0).conducts(5, 0.0)

    assert ["Left"] == hand.rests(20 / 60, 34.0).kinds()
    assert ["Left", "Returned"] == hand.rests(22 / 60, 34.0).kinds()


def test_water_of_another_temperature_is_not_back_within_half_an_hour() -> None:
    """A vessel does not warm by 2 °C in ten minutes: what reads 34 at 26 °C is a solution."""
    away = in_water().conducts(10, 0.0).rests(6, 34.0, warmth_C=26.0)
    back = in_water().conducts(40, 0.0).rests(6, 34.0, warmth_C=26.0)

    assert ["Left"] == away.kinds()
    assert ["Left", "Returned"] == back.kinds()


@PERIODS
def test_a_solution_a_little_saltier_is_not_the_water(period_s: float) -> None:
    """35.0 for 15 minutes is 1 ppt from the water; 34.0 after it is the water."""
    hand = in_water(period_s).rests(15, 35.0)

    assert ["Left"] == hand.kinds()
    assert ["Left", "Returned"] == hand.rests(4, 34.0).kinds()


@pytest.mark.parametrize("period_s", [1.0, 10.0])
def test_a_probe_that_was_lifted_out_of_moving_water_is_back_where_water_moves(
    period_s: float,
) -> None:
    """With a time constant of five minutes salt still goes into solution; then five minutes in air.

    After 6 and 11 minutes it is 34 - 34 exp(-1.2) = 23.8 and 34 - 34 exp(-2.2) = 30.2.
    """
    hand = Hand(period_s).rests(6, 0.05).dissolves(6, 0.05, 34.0, 300.0).conducts(5, 0.0)
    hand.dissolves(10, 30.2, 34.0, 300.0)

    assert ["Left", "Returned"] == hand.kinds()
    assert not hand.one(Returned).same
    assert hand.state.away is None


# --- replaced -----------------------------------------------------------------------------------


@pytest.mark.parametrize("period_s", [1.0, 10.0, 20.0, 30.0, 60.0])
def test_salt_in_water_that_was_there_for_minutes_is_another_water(period_s: float) -> None:
    """Six minutes dry, ten of purified water, and salt that rises by 0.5 with no jump in it."""
    hand = Hand(period_s).rests(10, 34.0).conducts(6, 0.0).conducts(10, 0.005)

    assert ["Left"] == hand.kinds()
    replaced = hand.dissolves(6, 0.002, 34.0, 100.0).one(Replaced)

    assert (True, False) == (replaced.salted, replaced.in_sight)
    assert 0.0 == pytest.approx(replaced.initial, abs=0.01)
    assert 34.0 == pytest.approx(replaced.before, abs=0.01)
    assert hand.state.away is None


def test_water_below_half_that_came_within_minutes_is_another_water() -> None:
    """34 that thins evenly to 10 in five minutes is seen to fall from where it rested."""
    hand = in_water().ramps(5, 34.0, 10.0).rests(5, 10.0)
    replaced = hand.one(Replaced)

    assert ["Replaced"] == hand.kinds()
    assert (False, True) == (replaced.salted, replaced.in_sight)
    assert 10.0 == pytest.approx(replaced.initial, abs=0.05)
    assert 34.0 == pytest.approx(replaced.before, abs=1.0)


@pytest.mark.parametrize("to", [17.5, 25.0, 33.0])
def test_water_that_keeps_half_is_the_same_water(to: float) -> None:
    """17.5 is more than half of 34: a top-up, whatever it thins."""
    assert [] == in_water().ramps(5, 34.0, to).rests(10, to).found


@PERIODS
@pytest.mark.parametrize("level_mS_cm", [0.0, 0.005, 0.5, 1.4])
def test_what_rests_below_a_tap_is_no_proof_of_other_water(
    period_s: float, level_mS_cm: float
) -> None:
    """Air, purified water and tap water of 1.4 mS/cm explain themselves for hours."""
    hand = in_water(period_s).conducts(120, level_mS_cm)

    assert ["Left"] == hand.kinds()
    assert hand.state.away is not None


@PERIODS
def test_beakers_one_after_another_are_no_salt(period_s: float) -> None:
    """Air, a solution of 7.4 and one of 35: each is reached at once, as a probe is moved."""
    hand = in_water(period_s).conducts(6, 0.0).rests(6, 7.4).conducts(6, 0.0).rests(6, 35.0)

    assert ["Left"] == hand.kinds()
    assert ["Left", "Returned"] == hand.rests(4, 34.0).kinds()


# --- air, purified water, immersion -------------------------------------------------------------


@pytest.mark.parametrize(
    "air_mS_cm, now_mS_cm, water",
    [
        (None, 0.001, False),
        (None, 0.002, True),
        (0.010, 0.011, False),
        (0.010, 0.012, True),
        (-0.004, 0.001, False),
        (-0.004, 0.002, True),
    ],
)
def test_water_reads_more_than_this_probe_in_air(
    air_mS_cm: float | None, now_mS_cm: float, *, water: bool
) -> None:
    """1.5 µS/cm more than its own reading in air, which counts as 0 below 0."""
    bins = PlaceBins(0.0, [], [0.0], [now_mS_cm], [24.0], [0.0])

    assert water == is_water(PlaceState(bins, air_mS_cm=air_mS_cm))


def test_nothing_is_water_before_any_reading() -> None:
    """Unknown is never water."""
    assert not is_water(PlaceState())


@pytest.mark.parametrize(
    "minutes, then_mS_cm, purified",
    [
        (9.0, 0.005, False),
        (12.0, 0.005, True),
        (12.0, 0.08, True),
        (12.0, 0.2, False),
        (12.0, 0.001, False),
    ],
)
def test_what_rests_for_ten_minutes_like_purified_water_looks_like_it(
    minutes: float, then_mS_cm: float, *, purified: bool
) -> None:
    """5 and 80 µS/cm are purified water after 10 min and not before; 200 is of a tap, 1 is air."""
    hand = in_water().conducts(1.5, 0.0).conducts(minutes, then_mS_cm)

    assert purified == looks_purified(hand.state, hand.t_s)


def test_a_probe_in_the_water_looks_like_nothing_else() -> None:
    """At 34 it is in the water, and its readings count."""
    hand = in_water()

    assert not looks_purified(hand.state, hand.t_s)
    assert Flag.PASS is location(hand.state, hand.t_s)


def test_readings_from_elsewhere_fail_and_those_under_a_bubble_are_suspect_for_a_while() -> None:
    """In air they fail.  A step from 34 to 33 may be a bubble until it is 200 s old."""
    air, bubble = in_water().conducts(3, 0.0), in_water().rests(3, 33.0)
    since_s = 0.0 if bubble.state.away is None else bubble.state.away.since_s

    assert Flag.FAIL is location(air.state, air.t_s)
    assert [Flag.SUSPECT, Flag.FAIL] == [
        location(bubble.state, since_s + seconds) for seconds in (199.0, 200.0)
    ]


# --- how it came --------------------------------------------------------------------------------


def test_the_course_of_what_rose_for_minutes_is_gradual() -> None:
    """A ramp of two minutes takes 96 s for eight tenths, more than 45."""
    assert Course.GRADUAL is course_from(in_water(10.0, 5.0).ramps(2, 5.0, 20.0).state, 5.0)


@pytest.mark.parametrize("lag_s", [0.0, 5.0, 10.0])
def test_the_course_of_a_probe_that_was_moved_is_sudden(lag_s: float) -> None:
    """A lag of 10 s takes 22 s for eight tenths, and a bin."""
    hand = Hand(1.0, lag_s).rests(6, 5.0).rests(1.5, 20.0)

    assert Course.SUDDEN is course_from(hand.state, 5.0)


def test_the_course_from_where_it_never_was_is_unseen() -> None:
    """Seven minutes at 20 tell nothing of how it came there from 5."""
    assert Course.UNSEEN is course_from(in_water(salinity=20.0).state, 5.0)
    assert Course.UNSEEN is course_from(PlaceState(), 5.0)


def test_evenly_rising_water_is_gradual_from_its_first_steps() -> None:
    """Three steps of 0.5 in 30 s are no cell behind a jump, which would make a third of each."""
    bins = PlaceBins(0.0, [], [0.0, 10.0, 20.0, 30.0], [8.0] * 4, [24.0] * 4, [5.0, 5.5, 6.0, 6.5])
    jump = PlaceBins(0.0, [], [0.0, 10.0, 20.0, 30.0], [8.0] * 4, [24.0] * 4, [5.0, 9.0, 10.5, 11])

    assert Course.GRADUAL is course_from(PlaceState(bins), 5.0)
    assert Course.SUDDEN is course_from(PlaceState(jump), 5.0)


# --- what others say ----------------------------------------------------------------------------


def test_who_accepts_the_water_has_it_for_the_water_of_the_vessel() -> None:
    """After an answer nothing remembers where it was; only the newest bin is kept."""
    hand = in_water().conducts(5, 0.0)
    accept(hand.state)

    assert (None, None, None, None, 1) == (
        hand.state.away,
        hand.state.home,
        hand.state.unproven_s,
        hand.state.lowest,
        len(hand.state.bins.times_s),
    )


def test_a_batch_may_say_which_water_was_left() -> None:
    """Put into tap water before anything was known, it is away from 34 and back at 34."""
    hand = Hand(10.0).conducts(2, 0.5)
    leave(hand.state, 34.0, hand.t_s, moving=False)

    assert hand.state.away is not None
    assert Water(None, 24.0, 34.0, hand.t_s) == hand.state.away.home
    assert ["Returned"] == hand.rests(3, 34.0).kinds()


def test_water_that_the_probe_knows_better_is_kept() -> None:
    """34.2 of the batch is the water of 34.0 in which the probe rested, within 0.3."""
    hand = in_water()
    leave(hand.state, 34.2, hand.t_s, moving=False)

    assert hand.state.away is not None
    assert 34.0 == pytest.approx(hand.state.away.home.salinity, abs=0.01)


@pytest.mark.parametrize("to, unsettled", [(34.0, False), (34.3, False), (35.5, True)])
def test_a_jump_leaves_all_unsettled_for_a_moment(to: float, *, unsettled: bool) -> None:
    """2 % of 50.7 mS/cm are 1.01: 34.3 is 0.4 higher and 35.5 is 2.0 higher."""
    assert unsettled == is_unsettled(in_water(1.0).rests(0.4, to).state)


def test_a_coarse_instrument_that_flickers_in_air_reads_no_water() -> None:
    """To and fro between 0 and 10 µS/cm for twenty minutes out of the water: that is air."""
    hand = in_water().conducts(1.5, 0.0)
    for _ in range(60):
        hand.conducts(1.0 / 6.0, 0.01).conducts(1.0 / 6.0, 0.0)
    hand.conducts(0.5, 0.01)

    assert not is_water(hand.state)
    assert not looks_purified(hand.state, hand.t_s)
