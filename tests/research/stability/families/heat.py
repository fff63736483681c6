"""Temperature of the water: room, heater, heat of solution, cold water, and the fault."""

from __future__ import annotations

import numpy as np

from tests.research.stability.families.draws import Floats, Rng, chance, log_uniform
from tests.research.stability.families.handling import Handling, dilution, poured


def temperature(faults: list[str], drawn: Handling, rng: Rng, t_s: Floats) -> Floats:
    """Return the temperature along the grid, °C."""
    size = (drawn.litres / 200.0) ** (1.0 / 3.0)
    first, room = rng.uniform(17.0, 27.0), rng.uniform(17.0, 27.0)
    if chance(rng, 0.3):
        room = first
    towards_s = log_uniform(rng, 8000.0, 50_000.0) * size
    warm = first + (room - first) * (1.0 - np.exp(-t_s / towards_s))
    day = log_uniform(rng, 0.05, 0.6) if chance(rng, 0.4) else 0.0
    turn = 2.0 * np.pi * (t_s / log_uniform(rng, 7200.0, 40_000.0) + rng.random())
    warm = warm + day * np.sin(turn)
    salt = drawn.pours[0].salinity
    warm = warm + rng.uniform(-1.0, 0.6) * poured(drawn, t_s) / max(salt, 1.0) / len(drawn.pours)
    colder = rng.uniform(-8.0, 1.0) * (1.0 - dilution(drawn, t_s))
    came_s = min((each.start_s + each.length_s for each in drawn.fresh), default=0.0)
    back_s = log_uniform(rng, 1500.0, 20_000.0) * size
    warm = warm + colder * np.exp(-np.maximum(t_s - came_s, 0.0) / back_s)
    if chance(rng, 0.35):
        warm = warm + _heater(rng, t_s, log_uniform(rng, 0.03, 0.3))
    if "temperature" in faults:
        if chance(rng, 0.5):
            warm = warm + np.clip(rng.uniform(-5.0, 5.0) * t_s / 3600.0, -6.0, 6.0)
        else:
            warm = warm + _heater(rng, t_s, log_uniform(rng, 0.2, 1.2))
    if "slow thermometer" in faults:
        warm = warm + _heater(rng, t_s, log_uniform(rng, 0.1, 1.2))
    return np.asarray(np.clip(warm, 5.0, 38.0))


def _heater(rng: Rng, t_s: Floats, size_K: float) -> Floats:
    """Return the swing of a heater that switches: it warms in one time and cools in another."""
    turn = (t_s / log_uniform(rng, 300.0, 3000.0) + rng.random()) % 1.0
    heats = rng.uniform(0.15, 0.7)
    saw = np.where(turn < heats, turn / heats, (1.0 - turn) / (1.0 - heats))
    return np.asarray(size_K * (saw - 0.5))
