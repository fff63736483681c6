"""From what is so in a reservoir and in the station to the alarms that follow, told as events."""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.entries import Flag, Phase
from daemon.mixing.alarm import flood, transitions
from daemon.mixing.alarm.alarm_state import ACTIVE_STATES, Transition
from daemon.mixing.alarm.catalogue import CALIBRATING, DISSOLVING, IDLE
from daemon.mixing.events import AlarmChanged, Happening
from daemon.mixing.probe import calibration_routines
from daemon.mixing.probe.calibration_history import name_of
from daemon.mixing.service_events import AlarmFloodChanged
from daemon.mixing.station import conditions, due_batches, host
from daemon.mixing.station.last_reading import iso

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from daemon.entries import Instant, Reading
    from daemon.mixing.alarm.alarm_state import AlarmChange
    from daemon.mixing.alarm.catalogue import AlarmKind
    from daemon.mixing.batch.lots import Lot
    from daemon.mixing.probe.calibration_routines import CalibrationBench
    from daemon.mixing.station.host import StationSettings
    from daemon.mixing.station.state import ReservoirSettings, ReservoirState, StationState

USABLE = (Flag.PASS, Flag.NOT_EVALUATED, Flag.SUSPECT)
SILENT_S = 90.0
"""Longer than any period, so that a probe of which not even a fault came by then is silent, s."""
LOOK_S = 10.0
"""How often the station looks after its own alarms, s."""


def of_reservoir(
    state: ReservoirState,
    reading: Reading | None,
    at: Instant,
    t_s: float,
    settings: ReservoirSettings,
    lots: Mapping[str, Lot],
    calibrations: CalibrationBench,
    rows: Mapping[str, AlarmKind],
) -> list[Happening]:
    """Return what becomes of a reservoir's alarms.

    Args:
        state: Of the reservoir; its alarms are changed in place.
        reading: Of the probe that decides; None while it is silent.
        at: Now.
        t_s: Monotonic time, s.
        settings: Of the reservoir.
        lots: Of dry mix.
        calibrations: Of the whole station.
        rows: The catalogue, with the owner's delays.
    """
    decides = next(iter(settings.probes))
    probe = state.probes.get(decides)
    out = probe is not None and probe.out_s is not None
    found = _of_calibrations(state, at, t_s, settings, calibrations)
    if reading is None:
        found |= conditions.of_silence(
            decides,
            t_s - (state.heard_s or t_s),
            faulty=state.alarms.is_active("probe-fault"),
        )
    elif not out:
        found |= conditions.of_reading(reading, usable=reading.flag in USABLE)
    found |= conditions.of_batch(state.batch, t_s, settings.batch, lots)
    if not state.drifted:  # nothing was added that could mix
        found |= conditions.of_mixing(
            state.batch,
            state.level,
            t_s,
            settings.batch,
            active=state.alarms.is_active("mixing-overdue"),
        )
    found |= _of_water(state, None if out else reading, settings, rows)
    if late := due_batches.missed(state, at.wall, settings):
        found["start-missed"] = late
    if not found and not state.alarms.known:
        return []
    return steps(
        transitions.advance(state.alarms, found, t_s, rows, _circumstances(state, out=out)),
        rows,
        at,
        t_s,
    )


def of_station(
    state: StationState, at: Instant, t_s: float, settings: StationSettings
) -> list[Happening]:
    """Return what becomes of the station's own alarms."""
    state.alarms_s = t_s
    found = host.wrong(state.health, at, t_s)
    return steps(
        transitions.advance(state.alarms, found, t_s, settings.alarms), settings.alarms, at, t_s
    )


def flood_steps(state: StationState, happened: Iterable[Happening], t_s: float) -> list[Happening]:
    """Return the flood of alarms that began or ended with these; seldom any."""
    raised = sum(
        isinstance(each.body, AlarmChanged) and each.body.what == Transition.RAISED
        for each in happened
    )
    why = flood.advance(state.load, raised, t_s)
    if not why:
        return []
    # It is the station's affair, whichever reservoir's alarm was the one too many.
    return [
        Happening(
            AlarmFloodChanged(
                "alarm flood began" if state.load.flooding else "alarm flood ended",
                state.load.in_flood,
                why,
            )
        )
    ]


def steps(
    changes: Iterable[AlarmChange], rows: Mapping[str, AlarmKind], at: Instant, t_s: float
) -> list[Happening]:
    """Return changes of alarms as everybody learns of them."""
    return [Happening(_changed(each, rows[each.name], at, t_s)) for each in changes]


def _changed(change: AlarmChange, row: AlarmKind, at: Instant, t_s: float) -> AlarmChanged:
    return AlarmChanged(
        change.name,
        str(change.transition),
        str(change.state),
        change.state in ACTIVE_STATES,
        str(row.priority),
        change.why,
        change.who,
        None if change.until_s is None else iso(at, change.until_s - t_s),
    )


def _circumstances(state: ReservoirState, *, out: bool) -> list[str]:
    found = [CALIBRATING] if out else []
    if state.batch.phase is Phase.IDLE:
        found.append(IDLE)
    elif state.batch.phase is Phase.DISSOLVING:
        found.append(DISSOLVING)
    return found


def _of_water(
    state: ReservoirState,
    reading: Reading | None,
    settings: ReservoirSettings,
    rows: Mapping[str, AlarmKind],
) -> dict[str, str]:
    """Return what is wrong with the water itself; what nobody sees stays as it was."""
    seen = reading is not None and reading.flag in USABLE
    found: dict[str, str] = {}
    if settings.batch.temperature_range_C is not None:
        name = "temperature-out-of-band"
        found |= conditions.of_temperature(
            reading.temperature_C if seen and reading is not None else None,
            state.batch.phase,
            settings.batch.temperature_range_C,
            rows[name].deadband or 0.0,
            active=state.alarms.is_active(name),
        )
    if state.drifted or (state.batch.phase is Phase.READY and not _where_it_was(state)):
        name = "salinity-drifting"
        found |= conditions.of_drift(
            state.batch,
            state.level.now() if seen else None,
            state.drifted,
            settings.batch,
            rows[name].deadband or 0.0,
            active=state.alarms.is_active(name),
        )
    if len(settings.probes) > 1:
        name = "probe-disagrees"
        found |= conditions.of_probes(
            {probe: state.probes[probe] for probe in settings.probes if probe in state.probes},
            rows[name].deadband or 0.0,
            active=state.alarms.is_active(name),
        )
    return found


def _where_it_was(state: ReservoirState) -> bool:
    """Say whether released water is so surely as it was that nothing more need be looked at."""
    called, medians = state.batch.judgement.salinity, state.level.medians
    if called is None or not medians or "salinity-drifting" in state.alarms.known:
        return False
    return abs(medians[-1] - called) < conditions.LEAST_DRIFT_PPT / 2.0


def _of_calibrations(
    state: ReservoirState,
    at: Instant,
    t_s: float,
    settings: ReservoirSettings,
    calibrations: CalibrationBench,
) -> dict[str, str]:
    """Return what is wrong with the calibrations of a reservoir's probes."""
    found: dict[str, str] = {}
    for probe in settings.probes:
        name, known = name_of(settings.name, probe), state.probes.get(probe)
        found = calibrations.kept.wrong(name, at.wall) | found
        if known is not None:
            found |= calibration_routines.left_out(name, known, t_s)
    return found
