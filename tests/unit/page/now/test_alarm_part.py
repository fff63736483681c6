"""An alarm says why it is there and what to do, once, and the ones that are over still show."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC

import pytest

from daemon.mixing.alarm.alarm_state import LifecycleState
from daemon.page.blocks import LONGEST
from daemon.page.labels import alarm_words
from daemon.page.now.alarm_part import AlarmPart, PanelWords, alarm_parts, unacknowledged
from daemon.page.view import AlarmView
from tests.page.page_parts import alarm_view


def part(alarm: AlarmView, said: PanelWords | None = None) -> AlarmPart:
    """One alarm as it is shown."""
    (found,) = alarm_parts([alarm], UTC, said=said or PanelWords())
    return found


def test_a_raised_alarm_says_why_and_what_to_do() -> None:
    """Each as a sentence, beside the flag of its priority."""
    assert part(alarm_view()) == AlarmPart(
        "batch off target",
        "high",
        "high, unacknowledged",
        "32.4 ppt is outside 33 to 35.",
        "Correct the batch as advised, or discard it.",
    )


def test_what_is_said_to_be_done_next_is_not_said_again() -> None:
    """Nor the advice, where it is the reason of the alarm."""
    alarm = alarm_view(why="add 1420 g of salt mix", do="check the pump")

    assert "" == part(alarm, PanelWords("Check the pump.")).do
    for advice in ("add 1420 g of salt mix", "add 1419.5 g of salt mix"):
        assert "" == part(alarm, PanelWords(advice=advice)).why
    assert "Add 1420 g of salt mix." == part(alarm, PanelWords(advice="add 8.7 L")).why


def test_a_question_is_asked_once() -> None:
    """The alarm beside it keeps its flag and its details; elsewhere it says all."""
    alarm = alarm_view(name="batch-suspended", why="it reads air: is the probe out?", do="look")

    assert ("", "", "high") == (
        part(alarm, PanelWords(question=True)).why,
        part(alarm, PanelWords(question=True)).do,
        part(alarm, PanelWords(question=True)).flag,
    )
    assert ("It reads air: is the probe out?", "Look.") == (part(alarm).why, part(alarm).do)


def test_an_alarm_that_is_over_waits_to_be_acknowledged() -> None:
    """It keeps its reason, has nothing left to be done, and is not silent."""
    over = part(alarm_view(state="returned-unacknowledged", active=False))

    assert ("furled", "") == (over.flag, over.do)
    assert over.why
    assert "high, returned unacknowledged; its condition is over" == over.details


@pytest.mark.parametrize("state", ["shelved", "suppressed-by-design", "out-of-service"])
def test_an_alarm_that_is_put_aside_takes_one_line(state: str) -> None:
    """By whom, until when and why, and whether it is active."""
    until = "2031-05-04T11:00:00.000Z"
    found = part(alarm_view(state=state, who="kim", until=until, reason="pump on the bench"))

    assert found == AlarmPart(
        "batch off target",
        "silent",
        f"high, {alarm_words(state)}, by kim, until 2031-05-04 11:00 UTC, pump on the bench;"
        " its condition is active",
    )
    assert "active" not in part(alarm_view(state=state, active=False)).details


def test_each_priority_has_a_flag_and_an_unknown_one_the_highest() -> None:
    """Another version may know more priorities; none of them is taken lightly."""
    flags = [part(alarm_view(priority=each)).flag for each in ("high", "medium", "low", "urgent")]

    assert ["high", "medium", "low", "high"] == flags


@pytest.mark.parametrize(
    "state, count",
    [
        (each, int("unacknowledged" in each))
        for each in LifecycleState
        if each is not LifecycleState.NORMAL
    ],
)
def test_what_waits_for_a_person_is_counted(state: LifecycleState, count: int) -> None:
    """An alarm that is over as long as nobody acknowledged it."""
    assert count == unacknowledged([alarm_view(state=str(state))])


def test_no_text_of_an_alarm_is_endless() -> None:
    """A hostile record fills no screen."""
    long = "y" * 5000
    found = part(replace(alarm_view(), name=long, why=long, do=long, who=long, until=long))

    assert max(map(len, (found.name, found.details, found.why, found.do))) <= LONGEST
