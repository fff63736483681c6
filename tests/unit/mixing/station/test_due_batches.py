"""Wanted batches: which are still owed, and when the next must start."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from daemon.mixing.batch.due_times import DueBatch, MixingTimes
from daemon.mixing.station import due_batches
from daemon.mixing.station.station_state import ReservoirSettings, ReservoirState

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
