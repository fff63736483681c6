"""The state is a word and a shape, and nothing that is not known looks good."""

from __future__ import annotations

import pytest

from daemon.entries import JSON, Phase
from daemon.mixing.cautions import INDEPENDENT_CHECK
from daemon.page.now.state_sign import SUSPENDED, StateSign, state_sign
from daemon.page.view import ReservoirView
from tests.page.page_parts import display_settings, reservoir_view

QUESTION: dict[str, JSON] = {
    "text": "is the probe out?",
    "why": "it reads air",
    "since": "2031-05-04T08:48:00.000Z",
    "answers": [],
}


def sign_of(phase: Phase) -> StateSign:
    """The sign of a reservoir in a phase, with a fresh reading."""
    return state_sign(reservoir_view(phase=str(phase)))


def test_every_state_has_a_word_and_a_shape_of_its_own() -> None:
    """So that neither colour nor language alone tells them apart."""
    signs = [*(sign_of(phase) for phase in Phase), SUSPENDED]
    signs += [state_sign(reservoir_view(age_s=7200.0))]

    assert len(signs) == len({each.word for each in signs}) == len({each.shape for each in signs})
    assert all(len(each.word) <= len("No salt yet") for each in signs)


def test_only_released_water_may_be_used() -> None:
    """With the check that the probe cannot be its own witness for."""
    usable = [phase for phase in Phase if "not to be used" not in sign_of(phase).sentence.lower()]

    assert [Phase.IDLE, Phase.BLANK, Phase.READY] == usable
    assert f"May be used; {INDEPENDENT_CHECK}" == sign_of(Phase.READY).sentence
    assert [Phase.READY] == [each for each in Phase if sign_of(each).shape == "ball"]


@pytest.mark.parametrize("phase", Phase)
@pytest.mark.parametrize("age_s", [7200.0, -7200.0])
def test_an_old_reading_is_called_old_whatever_it_said(phase: Phase, age_s: float) -> None:
    """What was last known stands small beside it."""
    sign = state_sign(reservoir_view(age_s=age_s, phase=str(phase)))

    assert ("Old reading", "broken", "caution") == (sign.word, sign.shape, sign.tone)
    assert f"Last known: {sign_of(phase).word}" == sign.sentence


def test_a_reservoir_that_was_never_read_has_no_state() -> None:
    """It says whether nothing was measured, or the record cannot be read."""
    never = ReservoirView(display_settings(), None, None)

    assert ("No reading", "broken") == (state_sign(never).word, state_sign(never).shape)
    assert "Nothing has been measured yet" == state_sign(never).sentence
    assert "The journal cannot be read" == state_sign(never, "it is damaged").sentence


def test_a_suspended_batch_is_not_shown_as_released() -> None:
    """Its probe may be elsewhere; what was last known of it is that."""
    asked = {age_s: reservoir_view(age_s=age_s, question=QUESTION) for age_s in (2.0, 7200.0)}

    assert SUSPENDED == state_sign(asked[2.0])
    assert "Last known: Suspended" == state_sign(asked[7200.0]).sentence


@pytest.mark.parametrize("facts", [{"flag": 9, "salinity": None}, {"flag": 4}])
def test_released_water_whose_probe_gives_no_value_is_not_called_usable(
    facts: dict[str, JSON],
) -> None:
    """It was released; whether it still is what it was nobody knows just then."""
    sign = state_sign(reservoir_view(facts=facts))

    assert "Released" == sign.word
    assert "may be used" not in sign.sentence.lower()
    assert "ball" != sign.shape
