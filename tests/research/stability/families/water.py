"""Families of water: how salt dissolves and mixes, each by a physics of its own."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from tests.research.stability.families import dosing, flow_through, layers, stirring, stores, zones
from tests.research.stability.families.draws import BRISK, Rng, chance
from tests.research.stability.families.mixture import Mixture, Water, record

__all__ = ["FAMILIES", "SIMULATIONS", "Water"]

_BRISK_SHARE = 0.25

Simulate = Callable[[list[str], Rng], tuple[Mixture, float]]

SIMULATIONS: dict[str, Simulate] = {
    "stores": stores.simulate,
    "flow through": flow_through.simulate,
    "layers": layers.simulate,
    "zones": zones.simulate,
    "stirring": stirring.simulate,
    "dosing": dosing.simulate,
}
"""The course of a vessel with some faults, and its pace in seconds."""


def _draw(simulate: Simulate, kind: str, rng: Rng) -> Water:
    """Draw the water of one batch; two faults at once are written "one + other"."""
    faults = kind.split(" + ")
    if chance(rng, _BRISK_SHARE):
        faults.append(BRISK)
    mixture, pace_s = simulate(faults, rng)
    return record(mixture, faults, rng, pace_s)


FAMILIES: dict[str, Callable[[str, Rng], Water]] = {
    name: partial(_draw, simulate) for name, simulate in SIMULATIONS.items()
}
"""The water of a kind or of a pair of kinds, by the name of its family."""
