"""The present state of one reservoir, as the outside sees it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.entries import Instant
from daemon.mixing import batch, wanted
from daemon.mixing.measured import iso, measured

if TYPE_CHECKING:
    from daemon.entries import JSON, Reading
    from daemon.mixing.station_state import ReservoirSettings, ReservoirState


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
    start = None if settings is None else wanted.next_start(state, at.wall, settings)
    if start is not None:
        moment, due = start
        found["start_by"] = iso(Instant(moment, 0.0))
        found["wanted"] = str(due)
        found["wanted_volume_l"] = due.volume_l
    return found | measured(last)
