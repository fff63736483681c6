"""The chance that mixing is over, as the snapshot of a reservoir has it, and in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.entries import Phase
from daemon.mixing.stability.chance import AblationMemory, Chance, chance_now
from daemon.mixing.station.last_reading import usable

if TYPE_CHECKING:
    from daemon.entries import Reading
    from daemon.mixing.stability.weights import Weights
    from daemon.mixing.station.station_state import ReservoirState


def mixing_chance(
    state: ReservoirState,
    last: Reading | None,
    t_s: float,
    weights: Weights,
    memory: AblationMemory,
) -> Chance | None:
    """Return the chance that mixing is over; None unless salt dissolves and is measured now.

    In a suspended batch nobody knows whether it is that salt which is measured.

    Args:
        state: Of the reservoir; not changed.
        last: Last reading of the probe that decides; None before any.
        t_s: Monotonic time, s.
        weights: Of the network.
        memory: Of what holds it back; changed in place.
    """
    if state.batch.phase is not Phase.DISSOLVING or state.batch.suspension is not None:
        return None
    if last is None or not usable(last):
        return None
    return chance_now(state.stability, t_s, weights, memory)
