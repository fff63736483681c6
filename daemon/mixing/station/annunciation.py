"""From the state of a reservoir and of the station to their alarms, as events."""

from __future__ import annotations

from datetime import UTC
from functools import partial
from typing import TYPE_CHECKING

from daemon.entries import Phase
from daemon.mixing.alarm import flood, transitions
from daemon.mixing.alarm.alarm_state import ACTIVE_STATES, Transition
from daemon.mixing.alarm.catalogue import CALIBRATING, DISSOLVING, IDLE
from daemon.mixing.events import AlarmChanged, Happening
from daemon.mixing.probe import calibration_routines
from daemon.mixing.probe.calibration_history import name_of
from daemon.mixing.probe.own_history import history_left
from daemon.mixing.service_events import AlarmFloodChanged
from daemon.mixing.station import conditions, due_batches, host, together
from daemon.mixing.station.conditions import USABLE
from daemon.mixing.station.last_reading import iso

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from daemon.entries import Instant, Reading
    from daemon.mixing.alarm.alarm_state import AlarmChange
    from daemon.mixing.alarm.catalogue import AlarmKind
    from daemon.mixing.batch.lots import Lot
    from daemon.mixing.probe.calibration_history import Calibrations
    from daemon.mixing.station.host import StationSettings
    from daemon.mixing.station.station_state import ReservoirSettings, ReservoirState, StationState

SILENT_S = 90.0
"""A probe is silent after this time without even a fault, s; longer than any period."""
OF_STEADY_WATER = ("batch-off-target", "batch-undecided", "salinity-drifting")
"""Alarms of steady water, which end while it is mixed."""
MIXED = (Phase.BLANK, Phase.DISSOLVING)
"""Phases in which mixing can be late."""
UNDECIDED = (Phase.VERIFYING, Phase.READY)
"""Phases in which a person may have to decide."""
LOOK_S = 10.0
"""How often the station updates its own alarms, s."""


def of_reservoir(
    state: ReservoirState,
    reading: Reading | None,
    at: Instant,
    t_s: float,
    settings: ReservoirSettings,
    lots: Mapping[str, Lot],
    records: Calibrations,
    rows: Mapping[str, AlarmKind],
) -> list[Happening]:
    """Update the alarms of a reservoir and return their events.

    Args:
        state: Of the reservoir; its alarms are changed in place.
        reading: Of the probe that decides; None while it is silent.
        at: Now.
        t_s: Monotonic time, s.
        settings: Of the reservoir.
        lots: Of salt mix.
        records: Of the calibrations of the whole station.
        rows: The catalogue, with the owner's delays.
    """
    decides = together.deciding(state, settings)
    probe = state.probes.get(decides)
    out = probe is not None and probe.out_s is not None
    present = _of_calibrations(state, at, t_s, settings, records)
    if reading is None:
        present |= conditions.of_silence(
            decides,
            t_s - (state.last_contact_s or t_s),
            faulty=state.alarms.is_active("probe-fault"),
        )
    elif not out and reading.flag not in USABLE:
        present |= conditions.of_reading(reading, usable=False)
    if len(settings.probes) > 1:
        present = together.troubles(state, settings, t_s) | present
    present |= conditions.of_batch(state.batch, t_s, settings.batch, lots)
    if state.batch.phase in MIXED:
        active = state.alarms.is_active("mixing-overdue")
        present |= conditions.of_mixing(
            state.batch, state.level, t_s, settings.batch, active=active
        )
    if state.batch.phase in UNDECIDED:
        present |= _of_undecided(state, at, t_s, settings)
    present |= _of_water(state, None if out else reading, settings, rows)
    if settings.due and (late := due_batches.missed(state, at.wall, settings)):
        present["start-missed"] = late
    if not present and not state.alarms.known:
        return []
    return steps(
        transitions.advance(
            state.alarms, present, t_s, rows, _circumstances(state, out=out), _endings(state)
        ),
        rows,
        at,
        t_s,
    )


def of_station(
    state: StationState, at: Instant, t_s: float, settings: StationSettings
) -> list[Happening]:
    """Update the station's own alarms and return their events."""
    state.alarms_s = t_s
    present = host.conditions(state.health, at, t_s)
    return steps(
        transitions.advance(state.alarms, present, t_s, settings.alarms), settings.alarms, at, t_s
    )


def flood_steps(state: StationState, happened: Iterable[Happening], t_s: float) -> list[Happening]:
    """Return the event of an alarm flood that began or ended with these."""
    raised = sum(
        isinstance(each.body, AlarmChanged) and each.body.what == Transition.RAISED
        for each in happened
    )
    why = flood.advance(state.load, raised, t_s)
    if not why:
        return []
    # It belongs to the station, whichever reservoir raised the last alarm.
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
    """Return changes of alarms as events."""
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


def _endings(state: ReservoirState) -> dict[str, str]:
    """Return why alarms of the water end, by name, where that is not that the water is better."""
    why = state.batch.dissolving_why
    if state.batch.phase is not Phase.DISSOLVING or not why:
        return {}
    return dict.fromkeys(OF_STEADY_WATER, f"{why}: the batch is judged again once it is steady")


def _circumstances(state: ReservoirState, *, out: bool) -> list[str]:
    present = [CALIBRATING] if out else []
    if state.batch.phase is Phase.IDLE:
        present.append(IDLE)
    elif state.batch.phase is Phase.DISSOLVING:
        present.append(DISSOLVING)
    return present


def _of_water(
    state: ReservoirState,
    reading: Reading | None,
    settings: ReservoirSettings,
    rows: Mapping[str, AlarmKind],
) -> dict[str, str]:
    """Return the conditions of the water itself; without a reading they stay as they were."""
    usable = reading is not None and reading.flag in USABLE
    present: dict[str, str] = {}
    if settings.batch.temperature_range_C is not None:
        name = "temperature-out-of-band"
        present |= conditions.of_temperature(
            reading.temperature_C if usable and reading is not None else None,
            state.batch.phase,
            settings.batch.temperature_range_C,
            rows[name].deadband or 0.0,
            active=state.alarms.is_active(name),
        )
    if state.batch.judgement.released_salinity is not None and not _unmoved(state):
        name = "salinity-drifting"
        present |= conditions.of_drift(
            state.batch,
            state.level.now() if usable and not together.in_dispute(state) else None,
            settings.batch,
            rows[name].deadband or 0.0,
            active=state.alarms.is_active(name),
        )
    if len(settings.probes) > 1:
        name = "probe-disagrees"
        present |= conditions.of_probes(
            {probe: state.probes[probe] for probe in settings.probes if probe in state.probes},
            rows[name].deadband or 0.0,
            partial(history_left, state.reconciliation),
            active=state.alarms.is_active(name),
        )
    return present


def _of_undecided(
    state: ReservoirState, at: Instant, t_s: float, settings: ReservoirSettings
) -> dict[str, str]:
    """Return whether the batch has been undecided for too long."""
    if state.verifying_since_s is None and state.batch.phase is Phase.VERIFYING:
        state.verifying_since_s = t_s  # a former version did not store it
    return conditions.of_undecided(
        state.batch,
        state.verifying_since_s,
        at,
        t_s,
        settings.zone or UTC,
        settings.batch,
    )


def _unmoved(state: ReservoirState) -> bool:
    """Return whether released water is near enough to its value that drift need not be checked."""
    salinity, medians = state.batch.judgement.released_salinity, state.level.medians
    if salinity is None or not medians or "salinity-drifting" in state.alarms.known:
        return False
    return abs(medians[-1] - salinity) < conditions.LEAST_DRIFT_PPT / 2.0


def _of_calibrations(
    state: ReservoirState,
    at: Instant,
    t_s: float,
    settings: ReservoirSettings,
    records: Calibrations,
) -> dict[str, str]:
    """Return the conditions of the calibrations of a reservoir's probes."""
    present: dict[str, str] = {}
    for probe in settings.probes:
        name, probe_state = name_of(settings.name, probe), state.probes.get(probe)
        present = records.conditions(name, at.wall) | present
        if probe_state is not None and probe_state.out_s is not None:
            present |= calibration_routines.left_out(name, probe_state, t_s)
    return present
