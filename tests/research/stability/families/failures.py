"""What fails: readings that do not come, probes that stick, spikes and bursts of interference."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tests.research.stability.families.lags import averaged

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Rng = np.random.Generator

NEVER_S = 1e9
WAYS = ("both", "conductivity", "temperature", "dry")
"""What a probe that sticks repeats; one that is dry hangs in the air."""

TOO_WARM_K = 0.13
"""A thermometer that sticks counts as dead once the water is so far from what it repeats.

That is 0.1 of salinity: 35 at 25 °C changes by 0.775 for 1 K (PSS-78, UNESCO 44, 1983)."""

_ENOUGH = 10


@dataclass(slots=True)
class Losses:
    """Readings that do not come.

    Attributes:
        share: Of single readings.
        every: One reading of so many; 0 where none is lost by rule.
        gaps_per_h: Gaps an hour, and how long they last on average.
        gap_s: See `gaps_per_h`.
        outage_s: Length of one long outage within the record; 0 where there is none.
    """

    share: float = 0.0
    every: int = 0
    gaps_per_h: float = 0.0
    gap_s: float = 120.0
    outage_s: float = 0.0


@dataclass(slots=True)
class Interference:
    """Spikes and bursts.

    Attributes:
        spikes: Share of readings with a spike, and its size.
        spike_mS_cm: See `spikes`.
        bursts_per_h: Bursts an hour, how long they last on average, and their size.
        burst_s: See `bursts_per_h`.
        burst_mS_cm: See `bursts_per_h`.
    """

    spikes: float = 0.0
    spike_mS_cm: float = 1.0
    bursts_per_h: float = 0.0
    burst_s: float = 30.0
    burst_mS_cm: float = 0.3


@dataclass(slots=True)
class Sticking:
    """A probe that repeats itself.

    Attributes:
        from_s: When it begins.
        until_s: When it comes free.
        way: One of `WAYS`.
        tremble: Steps of the instrument by which it trembles.
    """

    from_s: float = NEVER_S
    until_s: float = NEVER_S
    way: str = "both"
    tremble: float = 0.0


def lost(of: Losses, t_s: Floats, rng: Rng) -> Flags:
    """Return which readings do not come."""
    gone = rng.random(len(t_s)) < of.share
    if of.every > 1:
        gone[int(rng.integers(of.every)) :: of.every] = True
    span_h = float(t_s[-1] - t_s[0]) / 3600.0
    begin_s = rng.uniform(t_s[0], t_s[-1], rng.poisson(of.gaps_per_h * span_h))
    ends_s = begin_s + rng.exponential(of.gap_s, len(begin_s))
    if of.outage_s > 0.0:
        outage_s = min(of.outage_s, 0.6 * span_h * 3600.0)
        begin = rng.uniform(t_s[0], t_s[-1] - outage_s)
        begin_s, ends_s = np.append(begin_s, begin), np.append(ends_s, begin + outage_s)
    for low, high in np.searchsorted(t_s, np.column_stack([begin_s, ends_s])).tolist():
        gone[low:high] = True
    return np.asarray(gone)


def interfere(of: Interference, t_s: Floats, conductivity: Floats, rng: Rng) -> None:
    """Lay spikes and bursts over `conductivity`."""
    hit = rng.random(len(t_s)) < of.spikes
    conductivity[hit] += rng.normal(size=int(hit.sum())) * of.spike_mS_cm
    span_h = float(t_s[-1] - t_s[0]) / 3600.0
    for start in rng.uniform(t_s[0], t_s[-1], rng.poisson(of.bursts_per_h * span_h)):
        low, high = np.searchsorted(t_s, [start, start + rng.exponential(of.burst_s)])
        if rng.random() < 0.5:
            wave = np.sin(t_s[low:high] * rng.uniform(0.3, 3.0))
        else:
            wave = rng.normal(size=high - low)
        conductivity[low:high] += of.burst_mS_cm * wave


def stick(
    of: Sticking, t_s: Floats, conductivity: Floats, temperature: Floats, step_mS_cm: float,
    rng: Rng,
) -> Flags:  # fmt: skip
    """Let the probe repeat itself; return where what it says is not of the water."""
    dead = np.zeros(len(t_s), bool)
    low, high = np.searchsorted(t_s, [of.from_s, of.until_s]).tolist()
    if low < 1 or low >= high:
        return dead
    span = slice(low, high)
    if of.way == "temperature":
        apart = averaged(temperature[span] - temperature[low - 1], _ENOUGH)
        dead[span] = np.maximum.accumulate(np.abs(apart) > TOO_WARM_K)
        temperature[span] = temperature[low - 1]
        return dead
    dead[span] = True
    if of.way == "dry":
        film = conductivity[low - 1] * rng.choice([0.0, 0.03])
        film = film * np.exp(-(t_s[span] - t_s[low]) / 300.0)
        said = film + np.abs(rng.normal(0.0, 0.02, high - low))
        conductivity[span] = np.round(said / step_mS_cm) * step_mS_cm
        return dead
    trembles = np.round(rng.normal(size=high - low) * of.tremble) * step_mS_cm
    conductivity[span] = np.maximum(conductivity[low - 1] + trembles, 0.0)
    if of.way == "both":
        temperature[span] = temperature[low - 1]
    return dead
