"""The present state of one reservoir, as the outside sees it."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from daemon.entries import Flag, Instant
from daemon.mixing import batch, due, seawater
from daemon.mixing.quality import CALIBRATING

if TYPE_CHECKING:
    from collections.abc import Mapping

    from daemon.entries import JSON, Reading
    from daemon.mixing.station_state import ReservoirSettings, ReservoirState

LONGEST_S = 60.0


def picture(
    state: ReservoirState,
    last: Reading | None,
    settings: ReservoirSettings | None,
    at: Instant,
    t_s: float,
) -> dict[str, JSON]:
    """Return the whole present state, JSON-able.

    Args:
        state: Of the reservoir.
        last: Its last reading; None before any.
        settings: Of the reservoir; None for one that is not configured.
        at: Now.
        t_s: Monotonic time, s.
    """
    age = batch.age_h(state.batch, t_s)
    found: dict[str, JSON] = {
        "time": iso(at),
        "phase": str(state.batch.phase),
        "batch": state.batch.id or None,
        "age_h": None if age is None else round(age, 3),
        "stable_at": state.stable_at,
        "advice": state.batch.advice or None,
        "advice_salt_g": state.batch.advice_salt_g,
        "advice_water_l": state.batch.advice_water_l,
        "alarms": [*sorted(state.alarms.active)],
    }
    start_by = None if settings is None else _start_by(state, at, settings)
    if start_by is not None:
        found["start_by"] = start_by
    return found | _measured(last)


def renewed(known: Mapping[str, JSON], reading: Reading) -> dict[str, JSON]:
    """Return a picture with what a later reading of its probe says in the place of what it said.

    What only events change stays; the age moves on with the time between, of
    which no more than a minute is believed, for a clock may have jumped.
    """
    found = {**known, **_measured(reading), "time": iso(reading.at)}
    age, then = known.get("age_h"), known.get("time")
    if isinstance(age, int | float) and isinstance(then, str):
        passed_s = (reading.at.wall - datetime.fromisoformat(then)).total_seconds()
        found["age_h"] = round(age + min(max(passed_s, 0.0), LONGEST_S) / 3600.0, 3)
    return found


def iso(at: Instant, later_s: float = 0.0) -> str:
    """Return a moment, or one some seconds later, as ISO 8601 in UTC."""
    wall = at.wall + timedelta(seconds=round(later_s, 3))
    return wall.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _start_by(state: ReservoirState, at: Instant, settings: ReservoirSettings) -> str | None:
    """Return when the next batch that is wanted must be started, the earliest of all."""
    moments = [
        due.start_by(each, at.wall, state.times, settings.batch.use_within_h, zone=settings.zone)
        for each in settings.due
    ]
    return None if not moments else iso(Instant(min(moments), 0.0))


def _measured(last: Reading | None) -> dict[str, JSON]:
    if last is None or CALIBRATING in last.tests:
        # What a probe says in a bottle is nothing that the water is.
        last_values: tuple[float | None, ...] = (None,) * 5
        flag = int(Flag.MISSING if last is None else last.flag)
    else:
        gravity = _gravity(last.salinity)
        last_values = (
            last.salinity,
            last.salinity_u,
            gravity,
            last.conductivity_mS_cm,
            last.temperature_C,
        )
        flag = int(last.flag)
    names = ("salinity", "salinity_u", "specific_gravity", "conductivity_mS_cm", "temperature_C")
    rounded: dict[str, JSON] = {
        name: None if value is None else round(value, 5)
        for name, value in zip(names, last_values, strict=True)
    }
    return {
        **rounded,
        "flag": flag,
        "probe": None if last is None else last.probe,
        "probe_health": _health(last),
    }


def _health(last: Reading | None) -> str | None:
    """Return how the probe stands, in the words of NAMUR NE 107 (2017, from memory)."""
    if last is None:
        return None
    if CALIBRATING in last.tests:
        return "function check"
    return "failure" if last.flag >= Flag.FAIL else "ok"


def _gravity(salinity: float | None) -> float | None:
    return None if salinity is None else seawater.specific_gravity(salinity, 25.0, 25.0)
