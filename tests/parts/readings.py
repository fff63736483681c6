"""The one factory of readings for tests of what follows a reading."""

from __future__ import annotations

from daemon.entries import Flag, Instant, Reading
from tests.parts.events import AT


def reading(
    salinity: float | None = 34.0,
    *,
    at: Instant = AT,
    temperature_C: float | None = 24.0,
    salinity_u: float | None = 0.1,
    flag: Flag | None = None,
    probe: str = "ct-1",
) -> Reading:
    """Return a good reading of this salinity, or one that did not come for None."""
    missing = salinity is None
    return Reading(
        reservoir="mix-1",
        probe=probe,
        at=at,
        conductivity_mS_cm=None if missing else 51.0,
        temperature_C=None if missing else temperature_C,
        salinity=salinity,
        salinity_u=None if missing else salinity_u,
        flag=flag or (Flag.MISSING if missing else Flag.PASS),
        tests={},
        fault="no reply" if missing else "",
    )
