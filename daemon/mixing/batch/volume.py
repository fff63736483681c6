"""How much water there is: as filled or recorded, then as the water shows by what thins it.

Where water comes, salinity falls in the proportion in which the volume grows, since the salt
stays: V2 = V1 S1 / S2.  Where water goes into the air, it is the same the other way round.  Salt
that comes leaves the volume as it is, within what volumes are known by.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from daemon.mixing.batch.advice import Vessel
    from daemon.mixing.batch.batch_state import BatchSettings, BatchState

EVAPORATED_PPT = 0.3
"""A smaller rise makes less of a difference than a volume is known by, ppt; our own choice."""
LEAST_L = 0.1


def present_l(state: BatchState, settings: BatchSettings) -> float:
    """Return how much water there is, L, as far as it is known."""
    return _at(state, settings, state.judgement.salinity)


def vessel_of(state: BatchState, settings: BatchSettings) -> Vessel:
    """Return the vessel with the volume and the salt content of this batch."""
    salt, volume_l = state.salt, present_l(state, settings)
    return replace(
        settings.vessel,
        fill_l=volume_l,
        mix_yield=settings.vessel.mix_yield if salt is None else salt.salt_content,
        estimated=volume_l != _filled_l(state, settings),
    )


def on_added(state: BatchState, cause: str) -> None:
    """Remember the salinity that water thins; salt that comes thins nothing."""
    state.volume.thinned_from = state.judgement.salinity if cause == "water" else None


def on_steady(state: BatchState, salinity: float, settings: BatchSettings) -> None:
    """Reckon the volume from what has become of the salinity, now that it is steady.

    Where that much does not fit into the vessel, some was drawn before, and the volume is that of
    a filling again.

    Args:
        state: Of the batch; changed in place.
        salinity: Steady practical salinity.
        settings: What the batch has to be.
    """
    volume, before = state.volume, state.volume.thinned_from
    if before is not None and 0.0 < salinity < before:
        grown_l = _at(state, settings, before) * before / salinity
        volume.litres = grown_l if grown_l <= settings.vessel.capacity_l else None
    volume.salinity, volume.thinned_from = salinity, None


def on_used(state: BatchState, litres: float) -> None:
    """Take away what was used."""
    state.used_l += litres
    if state.volume.litres is not None:
        state.volume.litres = max(state.volume.litres - litres, LEAST_L)


def _at(state: BatchState, settings: BatchSettings, salinity: float | None) -> float:
    """Return the volume at which the water has this salinity, if nothing but water went or came."""
    volume = state.volume
    known_l = _filled_l(state, settings) if volume.litres is None else volume.litres
    if volume.salinity is None or salinity is None or salinity < volume.salinity + EVAPORATED_PPT:
        return known_l
    return max(known_l * volume.salinity / salinity, LEAST_L)


def _filled_l(state: BatchState, settings: BatchSettings) -> float:
    """Return what was filled or recorded, less what was used, L."""
    filled_l = settings.vessel.fill_l if state.salt is None else state.salt.volume_l
    return max(filled_l - state.used_l, LEAST_L)
