"""Which due batch is still to be made, and when to start it."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

from daemon.mixing.batch import due_times

if TYPE_CHECKING:
    from datetime import datetime

    from daemon.mixing.batch.due_times import DueBatch
    from daemon.mixing.station.station_state import ReservoirSettings, ReservoirState

A_MOMENT = timedelta(seconds=1)


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
    starts = [
        (_start(each, _open_from(each, state, wall, settings), state, settings), each)
        for each in settings.due
    ]
    return min(starts, key=lambda start: start[0], default=None)


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
