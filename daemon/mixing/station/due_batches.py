"""Which due batch is still to be made, and when to start it."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

from daemon.entries import Instant
from daemon.mixing.batch import due_times
from daemon.mixing.events import Happening, StartDue
from daemon.mixing.station.last_reading import iso

if TYPE_CHECKING:
    from datetime import datetime

    from daemon.mixing.batch.due_times import DueBatch
    from daemon.mixing.station.station_state import ReservoirSettings, ReservoirState

A_MOMENT = timedelta(seconds=1)
REMINDERS_KEPT = 50
"""Due times of which a person was reminded, by reservoir: more than a clock set back repeats."""


def missed(state: ReservoirState, wall: datetime, settings: ReservoirSettings) -> str:
    """Return which batch cannot be ready when due, as a sentence; empty where all can.

    Args:
        state: Of the reservoir.
        wall: Now, UTC.
        settings: Of the reservoir.
    """
    for each in settings.due:
        if not _served(each, state, wall, settings) and _missed(each, state, wall, settings):
            return f"no batch was begun in time for {each}"
    return ""


def next_start(
    state: ReservoirState, wall: datetime, settings: ReservoirSettings
) -> tuple[datetime, DueBatch] | None:
    """Return when the next batch still to be made must be started, UTC, and which it is.

    A start in the past was missed.  None where nothing is due.

    Args:
        state: Of the reservoir.
        wall: Now, UTC.
        settings: Of the reservoir.
    """
    starts = [(_next_open(each, state, wall, settings)[0], each) for each in settings.due]
    return min(starts, key=lambda start: start[0], default=None)


def remind(state: ReservoirState, wall: datetime, settings: ReservoirSettings) -> list[Happening]:
    """Return an event for each batch that is to be begun now: once for each due time.

    None for one that is begun or ready already, and none once the start was missed, which is an
    alarm.

    Args:
        state: Of the reservoir; what a person was reminded of is recorded in it.
        wall: Now, UTC.
        settings: Of the reservoir.
    """
    return [
        Happening(_start_due(each, start, moment), batch="")
        for each in settings.due
        for start, moment in [_next_open(each, state, wall, settings)]
        if start - timedelta(minutes=each.remind_before_min) <= wall < start
        and _first_reminder(state, moment)
    ]


def on_used(state: ReservoirState, wall: datetime, settings: ReservoirSettings) -> None:
    """Record which due batch was used: the one due nearest to now.

    A batch used while a due one can still be made in time was for something else.

    Args:
        state: Changed in place.
        wall: Now, UTC.
        settings: Of the reservoir.
    """
    moments = [(moment, each) for each in settings.due for moment in _around(each, wall, settings)]
    if not moments:
        return
    moment, each = min(moments, key=lambda one: abs(one[0] - wall))
    if wall >= min(_start(each, wall, state, settings), moment):
        state.served = moment


def _next_open(
    each: DueBatch, state: ReservoirState, wall: datetime, settings: ReservoirSettings
) -> tuple[datetime, datetime]:
    """Return when its next occurrence that is not covered must be started, and when it is due."""
    since = _open_from(each, state, wall, settings)
    start = _start(each, since, state, settings)
    return start, due_times.next_due(each, since, settings.zone)


def _first_reminder(state: ReservoirState, moment: datetime) -> bool:
    """Record that a person is reminded of a due time; return whether that is the first time.

    No clock that is set back, and no later start that was learned since, makes it a second time.
    """
    if moment in state.reminded:
        return False
    state.reminded = [*state.reminded, moment][-REMINDERS_KEPT:]
    return True


def _start_due(each: DueBatch, start: datetime, moment: datetime) -> StartDue:
    return StartDue(
        f"begin a batch: {each}",
        iso(Instant(start, 0.0)),
        iso(Instant(moment, 0.0)),
        each.volume_l,
    )


def _around(
    each: DueBatch, wall: datetime, settings: ReservoirSettings
) -> tuple[datetime, datetime]:
    """Return when it was due last, and when it is next."""
    following = due_times.next_due(each, wall, settings.zone)
    before, last = following - timedelta(days=due_times.WEEK_DAYS + 1), following
    while (moment := due_times.next_due(each, before, settings.zone)) < following:
        before, last = moment + A_MOMENT, moment
    return last, following


def _served(
    each: DueBatch, state: ReservoirState, wall: datetime, settings: ReservoirSettings
) -> bool:
    return state.served == due_times.next_due(each, wall, settings.zone)


def _open_from(
    each: DueBatch, state: ReservoirState, wall: datetime, settings: ReservoirSettings
) -> datetime:
    """Return the moment from which its next occurrence is not covered yet."""
    moment = due_times.next_due(each, wall, settings.zone)
    under_way = state.salted_at is not None and not _missed(each, state, moment, settings)
    covered = under_way or _served(each, state, wall, settings)
    return moment + A_MOMENT if covered else wall


def _missed(
    each: DueBatch, state: ReservoirState, wall: datetime, settings: ReservoirSettings
) -> bool:
    return due_times.missed(
        each,
        wall,
        state.times,
        settings.batch.use_within_h,
        state.salted_at,
        state.released_at,
        zone=settings.zone,
    )


def _start(
    each: DueBatch, wall: datetime, state: ReservoirState, settings: ReservoirSettings
) -> datetime:
    return due_times.start_by(
        each, wall, state.times, settings.batch.use_within_h, zone=settings.zone
    )
