"""What a released batch teaches of mixing times and of the salt."""

from __future__ import annotations

import pytest

from daemon.entries import Kind
from daemon.mixing.batch import lots
from daemon.mixing.batch.batch_state import BatchState, Judgement, SaltAddition
from daemon.mixing.batch.due_times import MixingTimes
from daemon.mixing.batch.lots import Lot
from daemon.mixing.events import AdviceGiven
from daemon.mixing.seawater.dosing import plan
from daemon.mixing.station.learning import released
from tests.parts.events import facts_in


def mixed(told: SaltAddition | None, salinity: float = 34.0) -> BatchState:
    """A batch released an hour after its salt went in, at 4600 s."""
    return BatchState(
        id="b-1",
        dissolving_since_s=1000.0,
        judgement=Judgement(salinity=salinity, salinity_u=0.1),
        salt=told,
    )


def an_addition(mix_yield: float = 0.86, lot: str = "blue") -> SaltAddition:
    """The right mass for 180 L at 34 of a salt of this yield."""
    return SaltAddition(plan(180.0, 34.0, mix_yield).salt_g, 180.0, 0.0, 0.881, 0.03, lot)


def test_the_time_from_salt_to_release_is_learned() -> None:
    """Whether or not anybody told anything."""
    times = MixingTimes()

    assert [] == released(mixed(None), times, {}, 4600.0)
    assert [60.0] == times.minutes


def test_the_yield_is_learned_with_its_uncertainty() -> None:
    """The event says the new estimate, which lies between habit and what was shown."""
    known = {"blue": Lot("blue")}
    (learned,) = released(mixed(an_addition()), MixingTimes(), known, 4600.0)
    facts = facts_in(learned)

    assert Kind.BATCH is learned.body.kind
    assert ("yield learned", "blue", 1) == (facts["what"], facts["lot"], facts["batches"])
    assert 0.86 == pytest.approx(known["blue"].weighings[0].mix_yield, abs=1e-9)
    found = lots.estimate(known["blue"], 4600.0)
    assert 0.86 < found.value < 0.881
    assert found.u < lots.COMMON_CONTENT_U
    assert round(found.u, 4) == facts["mix_yield_u"]


def test_one_release_teaches_once() -> None:
    """The same batch released again shows neither mixing nor yield."""
    state, times, known = mixed(an_addition()), MixingTimes(), {"blue": Lot("blue")}
    released(state, times, known, 4600.0)

    assert [] == released(state, times, known, 90_000.0)
    assert ([60.0], 1) == (times.minutes, len(known["blue"].weighings))


@pytest.mark.parametrize("lot", ["", "gone"])
def test_a_lot_that_is_not_in_the_books_learns_nothing(lot: str) -> None:
    """No lot was told, or it is not there any more."""
    assert [] == released(mixed(an_addition(lot=lot)), MixingTimes(), {"blue": Lot("blue")}, 4600.0)


def test_water_that_was_added_to_teaches_nothing() -> None:
    """The mass told is not all that is in it."""
    part, known = an_addition(), {"blue": Lot("blue")}
    part.undisturbed = False

    assert [] == released(mixed(part), MixingTimes(), known, 4600.0)
    assert [] == known["blue"].weighings


def test_an_impossible_yield_is_reported_and_not_learned() -> None:
    """Half of the mass told would have to be more than all salt."""
    known, wrong = {"blue": Lot("blue")}, an_addition()
    wrong.mass_g /= 2.0
    (advised,) = released(mixed(wrong), MixingTimes(), known, 4600.0)

    assert isinstance(advised.body, AdviceGiven)
    assert advised.body.advice.startswith("lot blue learns nothing from this batch:")
    assert "check the recorded mass" in advised.body.advice
    assert [] == known["blue"].weighings


def test_after_three_batches_the_next_plan_lands() -> None:
    """A salt of 0.84 is dosed within 0.3 ppt though habit would miss by more than 1."""
    known = {"blue": Lot("blue")}
    for n in range(3):
        state = mixed(an_addition(0.84))
        state.id = f"b-{n}"
        released(state, MixingTimes(), known, 4600.0 + n * 86_400.0)
    found = lots.estimate(known["blue"], 4600.0 + 3 * 86_400.0)
    by_habit, learned = (34.0 * 0.84 / each for each in (0.881, found.value))  # nearly proportional

    assert abs(by_habit - 34.0) > 1.0
    assert abs(learned - 34.0) < 0.3
