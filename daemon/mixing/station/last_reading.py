"""What a reading contributes to the picture of its reservoir.

Apart from the rest of `mixing`, so that who only reads pictures need not load the
equations of seawater: the specific gravity comes from a polynomial fitted to them.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from daemon.entries import Flag, Instant
from daemon.mixing.probe.quality import CALIBRATING, SCALE_ENDS
from daemon.mixing.seawater.gravity_25 import gravity

if TYPE_CHECKING:
    from collections.abc import Mapping

    from daemon.entries import JSON, Reading

LONGEST_S = 60.0


def renewed(known: Mapping[str, JSON], reading: Reading) -> dict[str, JSON]:
    """Return a picture with what a later reading of its probe says in the place of what it said.

    What only events change stays; the age moves on with the time between, of
    which no more than a minute is believed, for a clock may have jumped.
    """
    found = {**known, **measured(reading), "time": iso(reading.at)}
    age, then = known.get("age_h"), known.get("time")
    if isinstance(age, int | float) and isinstance(then, str):
        passed_s = (reading.at.wall - datetime.fromisoformat(then)).total_seconds()
        found["age_h"] = round(age + min(max(passed_s, 0.0), LONGEST_S) / 3600.0, 3)
    return found


def iso(at: Instant, later_s: float = 0.0) -> str:
    """Return a moment, or one some seconds later, as ISO 8601 in UTC."""
    wall = at.wall + timedelta(seconds=round(later_s, 3))
    return wall.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def measured(last: Reading | None) -> dict[str, JSON]:
    """Return what the last reading says, JSON-able, under the names of the picture."""
    if last is None or CALIBRATING in last.tests:
        # What a probe says in a bottle is nothing that the water is.
        last_values: tuple[float | None, ...] = (None,) * 5
        flag = int(Flag.MISSING if last is None else last.flag)
    else:
        last_values = (
            last.salinity,
            last.salinity_u,
            gravity(last.salinity),
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
    }


def off_scale(salinity: float | None) -> str:
    """Return a note for a salinity above the scale, which is extrapolated; empty for others."""
    if salinity is None or salinity <= SCALE_ENDS:
        return ""
    return f", off the scale, which ends at {SCALE_ENDS:g}: extrapolated"
