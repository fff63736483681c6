"""Which of the batches that are wanted the reservoir still owes, and when to start it."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

from daemon.mixing.batch import schedule

if TYPE_CHECKING:
    from datetime import datetime

    from daemon.mixing.batch.schedule import DueBatch
    from daemon.mixing.station.state import ReservoirSettings, ReservoirState

A_MOMENT = timedelta(seconds=1)


def missed(state: ReservoirState, wall: datetime, settings: ReservoirSettings) -> str:
    """Say which batch cannot be ready when wanted, as a sentence; empty where all can.

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
    """Return when the next batch that is still owed must be started, UTC, and which it is.

    A moment that has passed is one that was missed.  None where nothing is wanted.

    Args:
        state: Of the reservoir.
        wall: Now, UTC.
        settings: Of the reservoir.
    """
    starts = [
        (_start(each, _owed_from(each, state, wall, settings), state, settings), each)
        for each in settings.due
    ]
    return min(starts, key=lambda start: start[0], default=None)


def on_used(state: ReservoirState, wall: datetime, settings: ReservoirSettings) -> None:
    """Remember which wanted batch was the one that was used: the one wanted nearest to now.

    One that is used while another can still be made in time was for something else.

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
    """Return when it was wanted last, and when it is next."""
    following = schedule.next_due(each, wall, settings.zone)
    before, last = following - timedelta(days=schedule.WEEK_DAYS + 1), following
    while (moment := schedule.next_due(each, before, settings.zone)) < following:
        before, last = moment + A_MOMENT, moment
    return last, following


def _served(
    each: DueBatch, state: ReservoirState, wall: datetime, settings: ReservoirSettings
) -> bool:
    return state.served == schedule.next_due(each, wall, settings.zone)


def _owed_from(
    each: DueBatch, state: ReservoirState, wall: datetime, settings: ReservoirSettings
) -> datetime:
    """Return the moment from which on its next occurrence is one that nothing covers yet."""
    moment = schedule.next_due(each, wall, settings.zone)
    under_way = state.salted_at is not None and not _missed(each, state, moment, settings)
    covered = under_way or _served(each, state, wall, settings)
    return moment + A_MOMENT if covered else wall


def _missed(
    each: DueBatch, state: ReservoirState, wall: datetime, settings: ReservoirSettings
) -> bool:
    return schedule.missed(
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
    return schedule.start_by(
        each, wall, state.times, settings.batch.use_within_h, zone=settings.zone
    )
