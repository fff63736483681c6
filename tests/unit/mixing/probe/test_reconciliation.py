"""One salinity from several probes: laws of the mean, and figures by hand."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.entries import Flag
from daemon.mixing.probe.continuity import LEAST_STEP, evened, note_steps
from daemon.mixing.probe.own_history import agree, history_left, limit
from daemon.mixing.probe.place_bins import PlaceBins
from daemon.mixing.probe.reconciliation import fresh, reconcile
from daemon.mixing.probe.shares import Indication, Reconciliation, Share

WATER_C = 24.0


def indication(salinity: float, u: float, t_s: float = 0.0, flag: Flag = Flag.PASS) -> Indication:
    """What a probe says; conductivity only has to be in proportion here."""
    return Indication(t_s, 1.5 * salinity, WATER_C, salinity, u, flag)


def state_of(*said: Indication) -> Reconciliation:
    """Probes a, b, c and so on that have said these."""
    shares = {
        chr(ord("a") + n): Share(sample_s=each.t_s, newest=each) for n, each in enumerate(said)
    }
    return Reconciliation(shares)


def bins_of(*salinities: float) -> PlaceBins:
    """Ten-second bins that ended just now."""
    times = [-10.0 * (len(salinities) - n) for n in range(len(salinities))]
    conductivities = [1.5 * each for each in salinities]
    return PlaceBins(0.0, [], times, conductivities, [WATER_C] * len(times), [*salinities])


INDICATIONS = st.lists(
    st.builds(
        indication,
        st.floats(2.0, 42.0),
        st.floats(0.01, 1.0),
        st.just(0.0),
        st.sampled_from([Flag.PASS, Flag.NOT_EVALUATED, Flag.SUSPECT]),
    ),
    min_size=1,
    max_size=5,
)


@given(INDICATIONS)
def test_the_mean_lies_between_the_probes_and_is_worth_no_more_than_the_best(
    said: list[Indication],
) -> None:
    """Nor more than how far any of them is from it; and its flag is the worst of theirs."""
    state = state_of(*said)
    whole = reconcile(state, [*state.shares], {}, 0.0, at_rest=False)

    assert whole is not None
    values, us = [each.salinity for each in said], [each.u for each in said]
    assert min(values) - 1e-9 <= whole.values[2] <= max(values) + 1e-9
    assert whole.u >= min(us) - 1e-12
    assert whole.u <= max(*us, max(values) - min(values)) + 1e-9
    assert all(abs(each - whole.values[2]) <= whole.u + 1e-9 for each in values) or len(said) == 1
    assert whole.flag == max(each.flag for each in said)


@given(st.floats(2.0, 42.0), st.floats(0.01, 1.0))
def test_a_probe_alone_is_taken_as_it_is(salinity: float, u: float) -> None:
    """To the last digit of its value and its uncertainty."""
    state = state_of(indication(salinity, u))
    whole = reconcile(state, ["a"], {}, 0.0, at_rest=True)

    assert whole is not None
    assert (salinity, u) == (whole.values[2], whole.u)


def test_the_better_probe_weighs_more() -> None:
    """By the inverse square: 0.1 and 0.2 weigh 4 to 1; what they share is not averaged away."""
    state = state_of(indication(34.0, 0.1), indication(34.1, 0.2))
    whole = reconcile(state, ["a", "b"], {}, 0.0, at_rest=False)

    assert whole is not None
    assert whole.values[2] == pytest.approx(34.02, abs=0.001)
    assert whole.u == pytest.approx(0.8 * 0.1 + 0.2 * 0.2, abs=0.001)


def test_a_probe_in_air_does_not_outweigh_one_in_water() -> None:
    """Where nothing conducts, its uncertainty is next to nothing, and so is what it tells."""
    state = state_of(indication(0.002, 0.0001), indication(4.0, 0.02))
    whole = reconcile(state, ["a", "b"], {}, 0.0, at_rest=False)

    assert whole is not None
    assert whole.values[2] > 3.9


def test_probes_that_are_apart_are_worth_what_they_are_apart() -> None:
    """One ppt between two equals makes half of it the standard uncertainty."""
    state = state_of(indication(33.5, 0.1), indication(34.5, 0.1))
    whole = reconcile(state, ["a", "b"], {}, 0.0, at_rest=False)

    assert whole is not None
    assert whole.values[2] == pytest.approx(34.0, abs=0.02)
    assert whole.u == pytest.approx(0.5, abs=0.02)


def test_how_far_two_may_differ_is_by_their_joint_uncertainty() -> None:
    """Twice the root of the sum of squares, and three tenths at the least."""
    assert pytest.approx(1.0) == limit(indication(34, 0.3), indication(34, 0.4))
    assert 0.3 == limit(indication(34, 0.05), indication(34, 0.05))
    assert agree(indication(34.0, 0.05), indication(34.29, 0.05))
    assert not agree(indication(34.0, 0.05), indication(34.31, 0.05))


def test_an_old_indication_is_worth_less_where_nobody_knows_how_the_water_moved() -> None:
    """A probe that speaks once a minute is not taken for still because it was not looked at."""
    state = state_of(indication(20.0, 0.1, -60.0), indication(34.0, 0.1))
    whole = reconcile(state, ["a", "b"], {"a": bins_of(20.0)}, 0.0, at_rest=False)

    assert whole is not None
    assert whole.values[2] > 33.9


def test_an_old_indication_is_worth_less_where_the_water_moves() -> None:
    """Six ppt in a minute makes one of ten seconds ago off by a ppt, and hardly heard."""
    state = state_of(indication(20.0, 0.1, -10.0), indication(21.0, 0.1))
    moving = {"a": bins_of(*(14.0 + n for n in range(7)))}
    whole = reconcile(state, ["a", "b"], moving, 0.0, at_rest=False)

    assert whole is not None
    assert whole.values[2] == pytest.approx(20.99, abs=0.005)


@pytest.mark.parametrize("step,at_rest,left", [(-2, 0, 1), (-2, 1, 1), (2, 1, 1), (2, 0, 1)])
def test_who_moves_at_once_and_alone_is_left_out(step: float, *, at_rest: bool, left: bool) -> None:
    """Up as well as down, once salt has reached all."""
    state = state_of(indication(34.0 + step, 0.1), indication(34.0, 0.1))
    steady = bins_of(*[34.0, 34.01] * 8)
    whole = reconcile(state, ["a", "b"], {"a": steady, "b": steady}, 0.0, at_rest=at_rest)

    assert whole is not None
    assert left == (whole.members == ("b",))


def test_who_stands_beside_one_that_is_stuck_is_not_left_out() -> None:
    """A probe that repeats itself to the last digit proves nothing."""
    state = state_of(indication(32.0, 0.1), indication(34.0, 0.1))
    bins = {"a": bins_of(*[34.0, 34.01] * 8), "b": bins_of(*[34.0] * 16)}
    whole = reconcile(state, ["a", "b"], bins, 0.0, at_rest=True)

    assert whole is not None
    assert ("a", "b") == whole.members


def test_what_is_watched_comes_in_the_steps_of_the_coarsest_instrument() -> None:
    """A mean has finer steps than any instrument; in purified water they are left as they are."""
    state = state_of(indication(34.0, 0.1), indication(34.1, 0.1))
    for shown in (50.6, 50.8, 50.7):
        note_steps(state.shares["a"], shown, 24.0)
        note_steps(state.shares["b"], shown + 0.001, 24.1)
    state.members = ["a", "b"]

    assert (0.1, None) == state.shares["a"].steps
    assert evened(state, (50.61734, 24.0123, 34.05)) == (50.6, 24.01, 34.05)
    assert evened(state, (0.00412, 24.0123, 0.002)) == (0.00412, 24.0123, 0.002)


def test_who_has_read_nothing_since_cannot_tell_that_it_stayed() -> None:
    """A slow probe read last before the other one moved."""
    state = state_of(indication(32.0, 0.1), indication(34.0, 0.1, -30.0))
    steady = bins_of(*[34.0, 34.01] * 8)
    whole = reconcile(state, ["a", "b"], {"a": steady, "b": steady}, 0.0, at_rest=True)

    assert whole is not None
    assert ("a", "b") == whole.members


def test_of_three_the_two_that_stayed_are_believed() -> None:
    """And the mean is theirs."""
    said = (indication(34.0, 0.1), indication(34.1, 0.1), indication(30.0, 0.1))
    state, steady = state_of(*said), bins_of(*[34.0, 34.05] * 8)
    whole = reconcile(state, [*"abc"], dict.fromkeys("abc", steady), 0.0, at_rest=True)

    assert whole is not None
    assert ("a", "b") == whole.members
    assert whole.values[2] == pytest.approx(34.05, abs=0.001)
    assert "c left its own history: it moved by -4.0" in history_left(state, "a", "c")


def test_nobody_is_named_where_both_moved() -> None:
    """Or where neither has a history."""
    state = state_of(indication(33.0, 0.1), indication(34.0, 0.1))

    assert "cannot be told" in history_left(state, "a", "b")


@given(off=st.floats(-0.02, 0.02), warm=st.floats(-0.3, 0.3), first=st.booleans())
def test_a_probe_that_drops_out_moves_nothing_for_those_who_look_for_change(
    *, off: float, warm: float, first: bool
) -> None:
    """Whichever of the two it is, and after whatever time together."""
    one = Indication(0.0, 50.0, WATER_C, 34.0, 0.3)
    other = Indication(0.0, 50.0 * (1 + off), WATER_C + warm, 34.0 * (1 + off), 0.4)
    state = state_of(one, other)
    before = None
    for n in range(41):
        for indicated in (one, other):
            indicated.t_s = 10.0 * n
        before = reconcile(state, ["a", "b"], {}, 10.0 * n, at_rest=True)
    assert before is not None
    together = evened(state, before.values)
    alone = reconcile(state, ["a" if first else "b"], {}, 401.0, at_rest=True)

    assert alone is not None
    now = evened(state, alone.values)
    assert now[2] == pytest.approx(together[2], rel=1e-4)
    assert now[:2] == pytest.approx(together[:2], abs=1.01 * LEAST_STEP)


def test_an_indication_is_fresh_for_a_while() -> None:
    """Not one of a probe that is elsewhere, or that has said nothing yet."""
    state = state_of(
        indication(34.0, 0.1, 70.0), indication(34.0, 0.1, 10.0), indication(1.0, 0.1, 90.0)
    )
    state.shares["c"].elsewhere = indication(1.0, 0.1, 90.0)

    assert ["a"] == fresh(state.shares, [*"abcd"], 100.0, 30.0)


def test_who_meets_the_first_salt_is_not_left_out() -> None:
    """It comes to one probe before the other, and that is news of the water."""
    state, steady = state_of(indication(4.0, 0.1), indication(0.5, 0.1)), bins_of(*[0.5, 0.51] * 8)
    whole = reconcile(state, ["a", "b"], {"a": steady, "b": steady}, 0.0, at_rest=False)

    assert whole is not None
    assert ("a", "b") == whole.members
