"""The present state of one reservoir, as the outside sees it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.entries import Instant
from daemon.mixing.alarm.catalogue import CATALOGUE
from daemon.mixing.batch import lifecycle
from daemon.mixing.station import annunciation, due_batches
from daemon.mixing.station.last_reading import iso, measured

if TYPE_CHECKING:
    from collections.abc import Mapping

    from daemon.entries import JSON, Reading
    from daemon.mixing.alarm.catalogue import AlarmKind
    from daemon.mixing.station.host import StationSettings
    from daemon.mixing.station.state import ReservoirSettings, ReservoirState, StationState


def picture(
    state: ReservoirState,
    last: Reading | None,
    settings: ReservoirSettings | None,
    at: Instant,
    t_s: float,
    rows: Mapping[str, AlarmKind] = CATALOGUE,
) -> dict[str, JSON]:
    """Return the whole present state, JSON-able.

    Args:
        state: Of the reservoir.
        last: Its last reading; None before any.
        settings: Of the reservoir; None for one that is not configured.
        at: Now.
        t_s: Monotonic time, s.
        rows: The catalogue of alarms, with the owner's priorities.
    """
    age = lifecycle.age_h(state.batch, t_s)
    found: dict[str, JSON] = {
        "time": iso(at),
        "phase": str(state.batch.phase),
        "batch": state.batch.id or None,
        "age_h": None if age is None else round(age, 3),
        "stable_at": state.stable_at,
        "advice": state.batch.advice or None,
        "advice_salt_g": state.batch.advice_salt_g,
        "advice_water_l": state.batch.advice_water_l,
        "alarms": [*state.alarms.active_names],
        "alarm_details": annunciation.told(state.alarms, rows, at, t_s),
        "probe_health": _health(state, last),
        "probes_health": {
            name: str(probe.health.health) for name, probe in sorted(state.probes.items())
        },
    }
    start = None if settings is None else due_batches.next_start(state, at.wall, settings)
    if start is not None:
        moment, due = start
        found["start_by"] = iso(Instant(moment, 0.0))
        found["wanted"] = str(due)
        found["wanted_volume_l"] = due.volume_l
    return found | measured(last)


def of_station(state: StationState, at: Instant, settings: StationSettings) -> dict[str, JSON]:
    """Return what is so of the station itself, JSON-able."""
    return {
        "time": iso(at),
        "alarms": [*state.alarms.active_names],
        "alarm_details": annunciation.told(state.alarms, settings.alarms, at, state.timeline.t_s),
        "alarm_flood": state.load.flooding,
    }


def _health(state: ReservoirState, last: Reading | None) -> str | None:
    """Return how the probe stands that decides."""
    probe = None if last is None else state.probes.get(last.probe)
    return None if probe is None else str(probe.health.health)
