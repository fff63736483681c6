"""What to do next is one sentence, and the most urgent one."""

from __future__ import annotations

import pytest

from daemon.entries import JSON, Phase
from daemon.mixing.cautions import SALT_SLOWLY, UNPLUG_FIRST
from daemon.page.now.next_act import NextAct, next_act
from daemon.page.view import AlarmView, ReservoirView
from tests.page.page_parts import alarm_view, display_settings, reservoir_view

ADVICE = "add 1420 g of salt mix first; wait until it is steady; then the rest, 1775 g in all"
QUESTION: dict[str, JSON] = {
    "text": "is the probe out of the water, or was the vessel refilled?",
    "why": "the probe reads 0.00 ppt and read 34.02 ppt before",
    "since": "2031-05-04T08:48:00.000Z",
    "answers": ["probe-out", "same-water", "refilled"],
}
PUMP = alarm_view(name="mixing-overdue", do="check the pump")
OFF_TARGET = alarm_view(do="correct the batch as advised, or discard it")


def found(reservoir: ReservoirView, *alarms: AlarmView) -> NextAct:
    """What to do next."""
    return next_act(reservoir, alarms, lambda moment: f"<{moment}>")


def test_a_question_comes_before_every_alarm_and_advice() -> None:
    """As long as it waits, nobody knows which water the rest is about."""
    asked = reservoir_view(phase="off_target", question=QUESTION, advice=ADVICE)

    act = found(asked, PUMP)

    assert "Is the probe out of the water, or was the vessel refilled?" == act.sentence
    assert act.steps == (f"Look where the probe is; {UNPLUG_FIRST}.",)


def test_a_question_that_was_answered_says_what_is_left_to_do() -> None:
    """With the caution that goes with a hand in the water."""
    asked = reservoir_view(question={**QUESTION, "answered_by": "kim"})

    assert found(asked).sentence.startswith("Put the probe back")
    assert UNPLUG_FIRST in found(asked).sentence
    assert found(asked).steps == ("Or say that the vessel was refilled.",)


def test_a_probe_at_the_bench_is_to_come_back() -> None:
    """What it reads is a reference solution, so nothing else can be said of the water."""
    away = reservoir_view(phase="idle", probe_health="function check", advice=ADVICE)

    assert "The probe is out for calibration: go on with it, or end it." == found(away).sentence
    assert UNPLUG_FIRST in found(away).steps[0]


def test_an_alarm_says_what_to_do_before_the_advice() -> None:
    """The first that is raised, and not one that is shelved or over."""
    advised = reservoir_view(phase="off_target", advice=ADVICE)
    silent = [
        alarm_view(name=state, state=state, do="nothing of this")
        for state in (
            "shelved",
            "out-of-service",
            "suppressed-by-design",
            "returned-unacknowledged",
        )
    ]

    assert "Check the pump." == found(advised, *silent, PUMP, OFF_TARGET).sentence


@pytest.mark.parametrize("alarms", [(), (OFF_TARGET,), (alarm_view(do=""),)])
def test_the_advice_is_a_sentence_and_steps(alarms: tuple[AlarmView, ...]) -> None:
    """Also where an alarm says no more than to do as advised, or nothing."""
    advised = reservoir_view(phase="off_target", advice=ADVICE)

    assert found(advised, *alarms) == NextAct(
        "Add 1420 g of salt mix first.",
        ("Wait until it is steady.", "Then the rest, 1775 g in all."),
    )


def test_while_salt_dissolves_it_is_to_wait_and_for_what() -> None:
    """With what release needs besides."""
    mixing = reservoir_view(
        phase="dissolving",
        held_back_by=["still rising 0.08 ppt an hour"],
        chance_over=0.4,
        expected_ready_at="2031-05-04T09:20:00.000Z",
        forecast_note="release then needs a confirmation",
    )

    assert found(mixing) == NextAct(
        "Wait: still rising 0.08 ppt an hour; release then needs a confirmation.", waits=True
    )
    assert "Wait until salinity is steady." == found(reservoir_view(phase="dissolving")).sentence


def test_why_there_is_no_forecast_is_not_a_second_reason_to_wait() -> None:
    """It stands alone where nothing else is known, and beside the time that is not known."""
    note: dict[str, JSON] = {"phase": "dissolving", "forecast_note": "no forecast yet: salt came"}

    assert "Wait: no forecast yet: salt came." == found(reservoir_view(facts=note)).sentence
    held = reservoir_view(facts=note, held_back_by=["salt came"])
    assert "Wait: salt came." == found(held).sentence


def test_released_water_is_to_be_used_in_time() -> None:
    """And where nobody knows until when, no time is made up."""
    assert "Use it before <2031-05-05T07:29:00.000Z>." == (
        found(reservoir_view(use_by="2031-05-05T07:29:00.000Z")).sentence
    )
    assert "Use it." == found(reservoir_view()).sentence


def test_released_water_whose_probe_gives_no_value_is_not_to_be_used_yet() -> None:
    """Nobody knows just then whether it still is what it was released as."""
    for facts in ({"flag": 4}, {"flag": 9, "salinity": None}):
        assert found(reservoir_view(facts=facts)).sentence.startswith("Use none of it before")


def test_without_a_batch_there_is_nothing_to_do_until_one_is_due() -> None:
    """Then it says when to begin, and for what."""
    assert NextAct("Nothing to do.", waits=True) == found(reservoir_view(phase="idle", batch=None))
    due = reservoir_view(phase="idle", start_by="2031-05-05T07:29:00.000Z", wanted="60 L on Monday")
    assert "Begin a batch by <2031-05-05T07:29:00.000Z> for 60 L on Monday." == found(due).sentence


def test_purified_water_is_to_get_its_salt_with_its_cautions() -> None:
    """How salt goes in stands wherever it is to be poured."""
    assert SALT_SLOWLY in found(reservoir_view(phase="blank")).sentence
    assert any("gloves" in step for step in found(reservoir_view(phase="blank")).steps)


@pytest.mark.parametrize("age_s", [7200.0, -7200.0, None])
@pytest.mark.parametrize("question", [None, QUESTION])
def test_what_is_not_of_now_gives_no_advice_about_water(
    age_s: float | None, question: JSON
) -> None:
    """Only how the readings come back: an old `released` must have nobody use anything."""
    act = found(reservoir_view(age_s=age_s, advice=ADVICE, question=question), PUMP)

    assert act.sentence in ("Is 'brinewright run' running?", "Check the clock.")
    assert not act.steps
    assert not act.waits


def test_a_reservoir_that_was_never_read_says_how_it_is() -> None:
    """What was looked for and found."""
    never = ReservoirView(
        display_settings(), None, None, "measuring does not run; start 'brinewright run'"
    )

    assert "Measuring does not run; start 'brinewright run'." == found(never).sentence


@pytest.mark.parametrize("phase", Phase)
def test_every_phase_has_a_sentence(phase: Phase) -> None:
    """Of one kind: a capital letter, a full stop."""
    sentence = found(reservoir_view(phase=str(phase))).sentence

    assert sentence[0].isupper()
    assert sentence.endswith(".")
    assert ("Use it" in sentence) is (phase is Phase.READY)
