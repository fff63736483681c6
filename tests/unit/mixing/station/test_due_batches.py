"""Wanted batches: which are still owed, and when the next must start."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime

import pytest

from daemon.journal.checkpoint import dump, restore, restore_batches
from daemon.mixing.batch.due_times import DueBatch, MixingTimes
from daemon.mixing.events import StartDue
from daemon.mixing.station import due_batches
from daemon.mixing.station.station_state import (
    ReservoirSettings,
    ReservoirState,
    StationState,
)

DAILY = DueBatch(None, 10, 0, 60.0)
SATURDAY = DueBatch(5, 10, 0, 60.0, 0.1)


def utc(text: str) -> datetime:
    """The moment that a text names, UTC."""
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def reservoir(salted: str | None = None, released: str | None = None) -> ReservoirState:
    """A reservoir that takes 20 to 28 min to mix, with what went on in it."""
    went_in, done = (None if text is None else utc(text) for text in (salted, released))
    times = MixingTimes([20.0, 25.0, 28.0])
    return ReservoirState(times=times, salted_at=went_in, released_at=done)


def settings(*due: DueBatch) -> ReservoirSettings:
    """A reservoir of which these are wanted."""
    return ReservoirSettings("mix-1", due=due)


def starts(state: ReservoirState, now: str, *due: DueBatch) -> str:
    """When the next must start, as a text."""
    found = due_batches.next_start(state, utc(now), settings(*due))
    assert found is not None
    return found[0].strftime("%a %H:%M")


def test_a_batch_that_is_ready_for_it_moves_the_start_to_the_next_one() -> None:
    """Saturday is provided for, so what is to be started is a week later."""
    ready = reservoir("2026-03-06T20:00", "2026-03-06T20:30")

    assert starts(reservoir(), "2026-03-06T21:00", SATURDAY) == "Sat 09:17"
    found = due_batches.next_start(ready, utc("2026-03-06T21:00"), settings(SATURDAY))
    assert found is not None
    assert found[0] == utc("2026-03-14T09:17")


def test_a_batch_that_will_be_stale_by_then_does_not_count() -> None:
    """Released 25 h before with 24 h to keep, it provides for nothing."""
    old = reservoir("2026-03-06T08:00", "2026-03-06T09:00")

    assert starts(old, "2026-03-06T21:00", SATURDAY) == "Sat 09:17"
    assert due_batches.missed(old, utc("2026-03-07T09:30"), settings(SATURDAY))


@pytest.mark.parametrize("used", ["2026-03-07T09:40", "2026-03-07T10:45"])
def test_a_batch_used_for_it_leaves_nothing_missed(used: str) -> None:
    """Used some minutes early or late, it was Saturday's: nothing was missed."""
    state, kept = reservoir(), settings(SATURDAY)
    due_batches.on_used(state, utc(used), kept)

    assert not due_batches.missed(state, utc("2026-03-07T09:50"), kept)
    assert starts(state, "2026-03-07T09:50", SATURDAY) == "Sat 09:17"
    found = due_batches.next_start(state, utc("2026-03-07T09:50"), kept)
    assert found is not None
    assert found[0].day == 14


def test_a_batch_used_late_does_not_stand_for_tomorrow() -> None:
    """A daily batch used an hour late was today's, and tomorrow's is still owed."""
    state, kept = reservoir(), settings(DAILY)
    due_batches.on_used(state, utc("2026-03-07T11:00"), kept)

    assert starts(state, "2026-03-07T11:01", DAILY) == "Sun 09:17"
    assert due_batches.missed(state, utc("2026-03-08T09:30"), kept)


def test_a_missed_start_stays_in_sight() -> None:
    """Until the batch is due the start shown is the one that was missed, and says so."""
    state, kept = reservoir(), settings(SATURDAY)

    assert starts(state, "2026-03-07T09:40", SATURDAY) == "Sat 09:17"
    said = due_batches.missed(state, utc("2026-03-07T09:40"), kept)
    assert said == "no batch was begun in time for 60 L ready by 10:00, Saturdays, 10 % of the tank"


def test_the_earliest_of_several_counts() -> None:
    """Of two that are wanted the next to be started is shown."""
    assert (
        starts(reservoir(), "2026-03-05T12:00", SATURDAY, DueBatch(4, 16, 0, 20.0)) == "Fri 15:17"
    )
    assert due_batches.next_start(reservoir(), utc("2026-03-05T12:00"), settings()) is None


def test_a_batch_used_while_another_can_still_be_made_was_for_something_else() -> None:
    """Used at eight, Saturday's at ten is still owed."""
    state, kept = reservoir(), settings(SATURDAY)
    due_batches.on_used(state, utc("2026-03-07T08:00"), kept)

    assert due_batches.missed(state, utc("2026-03-07T09:30"), kept)


def reminders(state: ReservoirState, *moments: str, due: DueBatch = DAILY) -> list[str]:
    """When a person is reminded, of these moments in turn."""
    kept = settings(due)
    return [each for each in moments if due_batches.remind(state, utc(each), kept)]


def test_a_reminder_says_what_to_begin_by_when() -> None:
    """With figures, an hour before the latest start where nothing else is configured."""
    (step,) = due_batches.remind(reservoir(), utc("2026-03-07T08:17"), settings(SATURDAY))

    assert (
        StartDue(
            "begin a batch: 60 L ready by 10:00, Saturdays, 10 % of the tank",
            "2026-03-07T09:17:00.000Z",
            "2026-03-07T10:00:00.000Z",
            60.0,
        )
        == step.body
    )
    assert step.batch == ""  # it belongs to no batch that is there


def test_a_reminder_comes_once_for_each_due_time() -> None:
    """Neither minutes nor a clock that is set back make a second one; tomorrow's is another."""
    said = reminders(
        reservoir(),
        *("2026-03-07T08:16", "2026-03-07T08:17", "2026-03-07T08:18", "2026-03-07T09:16"),
        *("2026-03-06T08:20", "2026-03-07T08:20", "2026-03-08T08:20"),
    )

    assert said == ["2026-03-07T08:17", "2026-03-06T08:20", "2026-03-08T08:20"]


@pytest.mark.parametrize("restored_by", [restore, restore_batches])
def test_a_reminder_comes_once_across_a_restart_and_an_update(
    restored_by: Callable[[str], StationState | None],
) -> None:
    """What a person was reminded of is in the checkpoint."""
    state = StationState(reservoirs={"mix-1": reservoir()})
    assert reminders(state.reservoirs["mix-1"], "2026-03-07T08:20") != []
    restored = restored_by(dump(state))

    assert restored is not None
    assert [] == reminders(restored.reservoirs["mix-1"], "2026-03-07T08:25")


def test_no_reminder_comes_for_a_batch_that_is_under_way_or_ready() -> None:
    """Begun an hour before, released the evening before, or used for it already."""
    used = reservoir()
    due_batches.on_used(used, utc("2026-03-07T09:40"), settings(DAILY))

    assert [] == reminders(reservoir("2026-03-07T07:30"), "2026-03-07T08:20")
    assert [] == reminders(reservoir("2026-03-06T20:00", "2026-03-06T20:30"), "2026-03-07T08:20")
    assert [] == reminders(used, "2026-03-07T09:10")


def test_old_water_is_no_batch_for_a_due_time() -> None:
    """It will be stale by then, so a person is reminded."""
    assert reminders(reservoir("2026-03-06T08:00", "2026-03-06T09:00"), "2026-03-07T08:20") != []


def test_a_start_that_was_missed_brings_no_reminder() -> None:
    """That is an alarm, and the same thing is not said twice."""
    assert [] == reminders(reservoir(), "2026-03-07T09:17", "2026-03-07T09:59")


def test_how_long_before_the_reminder_comes_is_configured() -> None:
    """Where the start falls into the night, a person may want to know in the evening."""
    early = DueBatch(None, 10, 0, 60.0, remind_before_min=720.0)

    assert reminders(reservoir(), "2026-03-06T21:16", "2026-03-06T21:17", due=early) == [
        "2026-03-06T21:17"
    ]
