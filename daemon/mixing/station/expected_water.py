"""What the quality tests expect of the water: by the phase of its batch, and by other probes."""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.entries import Phase
from daemon.mixing.batch.batch_state import STEADY
from daemon.mixing.probe.quality import SCALE_ENDS, Neighbour, WaterContext
from daemon.mixing.seawater import dosing
from daemon.mixing.seawater.properties import OutOfRange

if TYPE_CHECKING:
    from daemon.mixing.batch.batch_state import BatchState
    from daemon.mixing.station.station_state import ReservoirSettings, ReservoirState

JUDGED = (Phase.READY, Phase.STALE)
"""Phases of water that was found within its tolerance limits, and is not to leave them."""
BELOW_NOTHING_PPT = -1.0
"""Less than purified water reads by any zero."""


def expected_water(
    state: ReservoirState,
    settings: ReservoirSettings,
    probe: str,
    salinity: tuple[float | None, float | None],
    t_s: float,
) -> WaterContext:
    """Return what is expected of the water when a probe is read.

    Args:
        state: Of the reservoir.
        settings: Of the reservoir.
        probe: The probe that is read.
        salinity: What it reads, and its standard uncertainty; None where there is none.
        t_s: Monotonic time, s.
    """
    phase = state.batch.phase
    if phase is Phase.IDLE:
        return WaterContext(str(phase), salting=True)
    steady = phase in STEADY
    # Water that is filled up or salted need not be the same everywhere.
    alike = steady and len(settings.probes) > 1
    return WaterContext(
        phase=phase,
        steady=steady,
        salting=not steady,
        band_ppt=_band_ppt(state.batch, settings, salinity[0]),
        band_C=_band_C(settings) if phase in JUDGED else None,
        neighbours=_neighbours(state, settings, probe, t_s) if alike else (),
        salinity_u=salinity[1],
        temperature_u_C=settings.probes[probe].temperature_C,
    )


def _band_ppt(
    batch: BatchState, settings: ReservoirSettings, salinity: float | None
) -> tuple[float, float]:
    """Return the practical salinity that the phase can have.

    Purified water has hardly any, or that of the heel.  Where salt goes into solution it may be
    anything up to what the salt on record can give, and steady water that is not released what it
    is known to have.  Water that was released stays within its limits.  The margin is for the
    probe, its place and a plume.
    """
    margin, wanted = settings.quality.expected_margin_ppt, settings.batch
    if batch.phase in JUDGED:
        return wanted.low_ppt - margin, wanted.high_ppt + margin
    low, before = BELOW_NOTHING_PPT - margin, batch.levels.before_salt
    if batch.phase is Phase.BLANK:
        return low, _highest(wanted.blank_max_ppt, before) + margin
    high = _highest(wanted.high_ppt, before, batch.judgement.salinity)
    if salinity is None or salinity > high + margin:
        high = _highest(high, _planned_ppt(batch))  # costs much, and is seldom needed
    return low, high + margin


def _highest(limit: float, *known: float | None) -> float:
    """Return the highest of a limit and of those salinities that are known."""
    return max([limit, *(each for each in known if each is not None)])


def _planned_ppt(batch: BatchState) -> float | None:
    """Return the practical salinity that the salt on record gives; None for no salt on record."""
    salt = batch.salt
    if salt is None:
        return None
    try:
        return dosing.outcome(
            salt.volume_l, salt.initial_salinity, salt.mass_g, 0.0, salt.salt_content
        ).salinity
    except OutOfRange:
        return SCALE_ENDS


def _band_C(settings: ReservoirSettings) -> tuple[float, float] | None:
    """Return the temperature that water at rest can have; what is filled in may be cold."""
    band, margin = settings.batch.temperature_range_C, settings.quality.expected_margin_C
    if band is None:
        return None
    return band[0] - margin, band[1] + margin


def _neighbours(
    state: ReservoirState, settings: ReservoirSettings, probe: str, t_s: float
) -> tuple[Neighbour, ...]:
    """Return the last usable reading of each other probe that is in the water."""
    found = []
    for name, worth in settings.probes.items():
        other = state.probes.get(name)
        if name == probe or other is None or other.salinity_s is None:
            continue
        if other.out_s is not None or other.place.away is not None:
            continue
        # Its thermometer has spoken with it, unless it has failed a test since.
        together = other.quality.last_t_s == other.salinity_s
        found.append(
            Neighbour(
                name,
                t_s - other.salinity_s,
                other.salinity,
                other.salinity_u,
                other.quality.last_temperature_C if together else None,
                worth.temperature_C,
            )
        )
    return tuple(found)
