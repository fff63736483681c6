"""One instrument as it was drawn, and the readings that it makes of a water."""

from __future__ import annotations

from dataclasses import dataclass, field

import gsw
import numpy as np
import numpy.typing as npt

from tests.research.stability.families.bubbles import Bubbles, clinging, passing
from tests.research.stability.families.failures import (
    Interference,
    Losses,
    Sticking,
    interfere,
    lost,
    stick,
)
from tests.research.stability.families.lags import Lag, averaged, lagged
from tests.research.stability.families.noise import Noise, noise
from tests.research.stability.families.water import Water

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Rng = np.random.Generator

SALINITY_BY_CONDUCTIVITY = 1.08
"""Relative change of salinity for a relative change of conductivity (PSS-78, 35 at 25 °C)."""

_CALMS_S = 60.0


@dataclass(slots=True)
class Probe:
    """How one instrument measures.

    Attributes:
        every_s: Interval at which it is read.
        cell: Lag of conductivity.
        thermometer: Lag of temperature.
        noise: Of conductivity.
        noise_K: Scatter of temperature.
        jitter: Share of the interval by which a reading comes early or late.
        measures_s: Interval at which it measures: read more often, it repeats itself; 0 where
            each reading is a measurement.
        step_mS_cm: Smallest step of conductivity.
        digits: Digits that conductivity is shown with, where that is coarser; 0 for all.
        step_K: Smallest step of temperature.
        drift_per_h: Relative drift of conductivity.
        compensation_per_K: Relative error of conductivity for each kelvin away from the first.
        loop_mS_cm: What a current through the earth adds while the pump runs.
        bubbles: In the cell.
        interference: Spikes and bursts.
        losses: Readings that do not come.
        sticking: When it repeats itself.
    """

    every_s: float
    cell: Lag
    thermometer: Lag
    noise: Noise
    noise_K: float
    jitter: float = 0.0
    measures_s: float = 0.0
    step_mS_cm: float = 0.001
    digits: int = 0
    step_K: float = 0.001
    drift_per_h: float = 0.0
    compensation_per_K: float = 0.0
    loop_mS_cm: float = 0.0
    bubbles: Bubbles = field(default_factory=Bubbles)
    interference: Interference = field(default_factory=Interference)
    losses: Losses = field(default_factory=Losses)
    sticking: Sticking = field(default_factory=Sticking)


@dataclass(frozen=True, slots=True)
class Observed:
    """The readings of a water.

    Attributes:
        t_s: Times of readings on the clock of the water, seconds.
        conductivity: mS/cm; NaN where a reading did not come.
        temperature: °C; NaN likewise.
        dead: Where what the probe says is not of the water.
        sees: Salinity that its cell follows, without noise, drift and what clings to it.
        clings: How much lower it stands for the bubbles that cling, practical salinity.
    """

    t_s: Floats
    conductivity: Floats
    temperature: Floats
    dead: Flags
    sees: Floats
    clings: Floats


def observe(probe: Probe, water: Water, rng: Rng) -> Observed:
    """Return what `probe` reads in `water`."""
    salinity = water.salinity.astype(float)
    warm = water.temperature_C.astype(float)
    grid_s = np.arange(len(salinity)) * water.step_s
    t_s = _times(probe, float(grid_s[-1]), rng)
    conducts = np.nan_to_num(gsw.C_from_SP(salinity, warm, 0.0))
    clean = np.interp(t_s, grid_s, lagged(conducts, probe.cell, water.step_s))
    sees = np.interp(t_s, grid_s, lagged(salinity, probe.cell, water.step_s))
    t = np.interp(t_s, grid_s, lagged(warm, probe.thermometer, water.step_s))
    at = np.minimum((t_s / water.step_s).astype(int), len(grid_s) - 1)
    moving = averaged(water.flowing[at].astype(float), max(1, round(_CALMS_S / probe.every_s)))
    held = clinging(probe.bubbles, t_s, rng)
    c = clean * (1.0 + probe.drift_per_h * t_s / 3600.0)
    c *= 1.0 + probe.compensation_per_K * (t - t[0])
    c *= 1.0 - held
    disturbed = noise(probe.noise, t_s, c, moving, np.abs(water.final[at] - sees), rng)
    disturbed -= c * passing(probe.bubbles, t_s, rng)
    c += averaged(disturbed, round(probe.cell.average_s / probe.every_s))
    c += probe.loop_mS_cm * (water.flowing[at] - float(water.flowing[0]))
    t += probe.noise_K * rng.normal(size=len(t_s))
    _repeat(probe.measures_s, t_s, c, t)
    interfere(probe.interference, t_s, c, rng)
    _quantise(probe, c, t)
    dead = stick(probe.sticking, t_s, c, t, probe.step_mS_cm, rng)
    c, t = np.round(c, 6), np.round(t, 6)
    gone = lost(probe.losses, t_s, rng)
    c[gone] = t[gone] = np.nan
    return Observed(t_s, c, t, dead, sees, SALINITY_BY_CONDUCTIVITY * held * sees)


def _times(probe: Probe, end_s: float, rng: Rng) -> Floats:
    """Return when readings come."""
    count = max(2, int(end_s / probe.every_s))
    early = probe.jitter * rng.uniform(-0.5, 0.5, count)
    return np.sort(np.maximum((np.arange(count) + early) * probe.every_s, 0.0))


def _repeat(measures_s: float, t_s: Floats, c: Floats, t: Floats) -> None:
    """Let each reading be that of the newest measurement."""
    if measures_s <= 0.0:
        return
    number = np.floor(t_s / measures_s)
    new = np.concatenate([[True], np.diff(number) > 0.0])
    of = np.maximum.accumulate(np.where(new, np.arange(len(t_s)), 0))
    c[:], t[:] = c[of], t[of]


def _quantise(probe: Probe, c: Floats, t: Floats) -> None:
    """Round to what the instrument shows."""
    step: float | Floats = probe.step_mS_cm
    if probe.digits:
        size = np.floor(np.log10(np.maximum(np.abs(c), 1e-3)))
        step = np.maximum(step, 10.0 ** (size - probe.digits + 1.0))
    c[:] = np.maximum(np.round(c / step) * step, 0.0)
    t[:] = np.round(t / probe.step_K) * probe.step_K
