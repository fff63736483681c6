"""Makes the snapshots of the reservoirs and of the station from what is remembered of them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from daemon.entries import Instant
from daemon.mixing.alarm.alarm_state import LifecycleState
from daemon.mixing.alarm.catalogue import CATALOGUE
from daemon.mixing.batch import suspension, volume
from daemon.mixing.batch.ageing import age_h
from daemon.mixing.batch.batch_state import STEADY, WITH_SALT
from daemon.mixing.station import due_batches, expected_release
from daemon.mixing.station.last_reading import LastReading, iso, last_reading
from daemon.mixing.station.probe_parts import probe_parts

if TYPE_CHECKING:
    from daemon.entries import Reading
    from daemon.mixing.alarm.alarm_state import AlarmState
    from daemon.mixing.alarm.catalogue import AlarmKind
    from daemon.mixing.batch.batch_state import BatchSettings, BatchState, Suspension
    from daemon.mixing.stability.chance import Chance
    from daemon.mixing.station.host import StationSettings
    from daemon.mixing.station.station_state import ReservoirSettings, ReservoirState, StationState
from daemon.mixing.station.snapshot import (
    AlarmSnapshot,
    QuestionSnapshot,
    ReservoirSnapshot,
    StationSnapshot,
)


def of_reservoir(
    state: ReservoirState,
    last: Reading | None,
    settings: ReservoirSettings | None,
    at: Instant,
    t_s: float,
    rows: Mapping[str, AlarmKind] = CATALOGUE,
    chance: Chance | None = None,
) -> ReservoirSnapshot:
    """Return the whole present state of a reservoir.

    Args:
        state: Of the reservoir.
        last: Its last reading; None before any.
        settings: Of the reservoir; None for one that is not configured.
        at: Now.
        t_s: Monotonic time, s.
        rows: The catalogue of alarms, with the owner's priorities.
        chance: That mixing is over; None while nothing is decided.
    """
    batch = state.batch
    age = age_h(batch, t_s)
    start = None if settings is None else due_batches.next_start(state, at.wall, settings)
    measured = LastReading() if last is None else last_reading(last)
    ahead = expected_release.forecast_made(state, None if settings is None else settings.batch, t_s)
    return ReservoirSnapshot(
        time=iso(at),
        phase=batch.phase,
        batch=batch.id or None,
        age_h=None if age is None else round(age, 3),
        stable_at=state.stable_at if batch.phase in STEADY else None,
        advice=batch.advice.text or None,
        advice_salt_g=batch.advice.salt_g,
        advice_water_l=batch.advice.water_l,
        alarms=tuple(state.alarms.active_names),
        alarm_details=_alarms(state.alarms, rows, at, t_s),
        probe_health=_health(state, last),
        probes_health={
            name: str(probe.health.health) for name, probe in sorted(state.probes.items())
        },
        start_by=None if start is None else iso(Instant(start[0], 0.0)),
        due=None if start is None else str(start[1]),
        due_volume_l=None if start is None else start[1].volume_l,
        salinity=measured.salinity,
        salinity_u=measured.salinity_u,
        specific_gravity=measured.specific_gravity,
        conductivity_mS_cm=measured.conductivity_mS_cm,
        temperature_C=measured.temperature_C,
        flag=measured.flag,
        quality_figures=measured.quality_figures,
        probe=measured.probe,
        use_by=_use_by(at, age, settings),
        volume_left_l=_volume_left_l(batch, None if settings is None else settings.batch),
        chance_over=None if chance is None else chance.over,
        held_back_by=() if chance is None else chance.held_back_by,
        expected_ready_at=ahead.expected_ready_at,
        expected_ready_low=ahead.expected_ready_low,
        expected_ready_high=ahead.expected_ready_high,
        final_salinity=ahead.final_salinity,
        final_u=ahead.final_u,
        final_low=ahead.final_low,
        final_high=ahead.final_high,
        forecast_note=ahead.forecast_note,
        question=_question(batch.suspension, at, t_s),
        probes=probe_parts(state, settings, t_s),
    )


def _question(suspended: Suspension | None, at: Instant, t_s: float) -> QuestionSnapshot | None:
    """Return what a person is asked about a suspended batch."""
    if suspended is None:
        return None
    return QuestionSnapshot(
        suspension.question(suspended),
        suspended.why,
        iso(at, suspended.since_s - t_s),
        suspension.ANSWERS,
        suspended.answered_by,
    )


def _volume_left_l(batch: BatchState, settings: BatchSettings | None) -> float | None:
    """Return how much water of a batch is left, L; None where that is not known.

    Of a suspended batch it is not: the vessel may have been refilled.
    """
    if settings is None or not batch.id or batch.phase not in WITH_SALT or batch.suspension:
        return None
    return round(volume.present_l(batch, settings), 1)


def _use_by(at: Instant, age: float | None, settings: ReservoirSettings | None) -> str | None:
    """Return when the water is to be used by, ISO 8601; None before its first release."""
    if age is None or settings is None:
        return None
    return iso(at, (settings.batch.use_within_h - age) * 3600.0)


def of_station(state: StationState, at: Instant, settings: StationSettings) -> StationSnapshot:
    """Return the present state of the station itself."""
    return StationSnapshot(
        time=iso(at),
        alarms=tuple(state.alarms.active_names),
        alarm_details=_alarms(state.alarms, settings.alarms, at, state.timeline.t_s),
        alarm_flood=state.load.flooding,
    )


def _alarms(
    state: AlarmState, rows: Mapping[str, AlarmKind], at: Instant, t_s: float
) -> dict[str, AlarmSnapshot]:
    """Return every alarm that is not normal, by name."""
    return {
        name: _alarm(name, state, rows[name], at, t_s)
        for name in sorted(state.known)
        if state.known[name].state is not LifecycleState.NORMAL and name in rows
    }


def _alarm(name: str, state: AlarmState, row: AlarmKind, at: Instant, t_s: float) -> AlarmSnapshot:
    alarm = state.known[name]
    suppressed = alarm.state is LifecycleState.SUPPRESSED_BY_DESIGN
    return AlarmSnapshot(
        state=str(alarm.state),
        priority=str(row.priority),
        since=iso(at, alarm.since_s - t_s),
        active=alarm.active,
        why=alarm.why,
        raised_at=iso(at, alarm.raised_s[-1] - t_s) if alarm.raised_s else None,
        until=None if alarm.until_s is None else iso(at, alarm.until_s - t_s),
        reason=alarm.reason or (alarm.suppressed_by if suppressed else ""),
        who=alarm.who,
        repeating=alarm.repeating,
    )


def _health(state: ReservoirState, last: Reading | None) -> str | None:
    """Return the status signal of the probe that decides."""
    probe = None if last is None else state.probes.get(last.probe)
    return None if probe is None else str(probe.health.health)
