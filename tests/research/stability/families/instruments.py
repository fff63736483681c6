"""Families of instruments, each a way of building one, and the faults that belong to the probe.

A family draws how quickly it follows, what its noise is made of, how it rounds and how often it
is read; a fault is laid over that.  Faults of the water in a kind change nothing here.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from tests.research.stability.families.bubbles import Bubbles
from tests.research.stability.families.failures import (
    NEVER_S,
    WAYS,
    Interference,
    Losses,
    Sticking,
)
from tests.research.stability.families.lags import Lag
from tests.research.stability.families.noise import Noise
from tests.research.stability.families.probe import Observed, Probe, observe
from tests.research.stability.families.water import Water

Rng = np.random.Generator

_MOST_NOISE_MS_CM = 0.15
_MOST_CLEAN_NOISE_MS_CM = 0.04
_PER_SALINITY = 1.0 / 35.0
_MOST_MEAN_CUT = 0.0015
"""What passing bubbles may take of a mean: 0.05 of salinity."""

_MOST_IN_GAPS = 0.3
"""Share of time that gaps take on average, an outage apart."""

_LEAST_NOISE_STEPS = 0.08
"""A coarse instrument scatters by at least so much of its step."""


def _log(rng: Rng, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _chance(rng: Rng, p: float) -> bool:
    return bool(rng.random() < p)


def _bench(rng: Rng) -> Probe:
    """Return a fine instrument of the laboratory: first order, white noise, small steps."""
    return Probe(
        _log(rng, 1.0, 5.0), Lag(_log(rng, 1.0, 10.0)), Lag(_log(rng, 2.0, 40.0)),
        Noise(_log(rng, 0.001, 0.02), red=_log(rng, 0.1, 1.0), red_s=_log(rng, 3.0, 60.0)),
        _log(rng, 0.0005, 0.005), jitter=rng.choice([0.0, 0.02]),
        step_mS_cm=rng.choice([0.001, 0.002, 0.005, 0.01]), step_K=rng.choice([0.001, 0.01]),
    )  # fmt: skip


def _loop_powered(rng: Rng) -> Probe:
    """Return a transmitter on a current loop: damped twice, hum of the mains, earth currents."""
    step = rng.choice([0.01, 0.02, 0.025, 0.05])
    noise = Noise(
        max(_log(rng, 0.003, 0.04), step * _log(rng, 0.1, 1.0)), hum=_log(rng, 0.2, 2.0),
        mains_hz=rng.choice([50.0, 60.0]) + rng.normal(0.0, 0.03), red=rng.uniform(0.0, 0.8),
        red_s=_log(rng, 5.0, 120.0), flow=rng.uniform(0.0, 0.5),
    )  # fmt: skip
    return Probe(
        _log(rng, 1.0, 10.0), Lag(_log(rng, 2.0, 12.0), _log(rng, 2.0, 25.0)),
        Lag(_log(rng, 5.0, 50.0), _log(rng, 2.0, 20.0)), noise, _log(rng, 0.002, 0.02),
        jitter=rng.choice([0.0, 0.02, 0.2]), step_mS_cm=step,
        step_K=rng.choice([0.01, 0.02, 0.05]),
        loop_mS_cm=rng.choice([-1.0, 1.0]) * _log(rng, 0.004, 0.05),
    )  # fmt: skip


def _polled(rng: Rng) -> Probe:
    """Return an instrument that is read seldom, and shows three, four or five digits."""
    every_s = float(rng.choice([5, 10, 10, 15, 20, 30]))
    return Probe(
        every_s, Lag(_log(rng, 3.0, 25.0)), Lag(_log(rng, 5.0, 60.0)),
        Noise(_log(rng, 0.002, 0.03), heavy=rng.choice([0.0, 4.0]), flow=rng.uniform(0.0, 0.9)),
        _log(rng, 0.001, 0.02), jitter=rng.choice([0.0, 0.1, 0.5]),
        digits=int(rng.choice([3, 4, 4, 5])), step_K=rng.choice([0.01, 0.0625, 0.1]),
    )  # fmt: skip


def _inductive(rng: Rng) -> Probe:
    """Return a ring without electrodes: noise as 1/f and as a telegraph, grown with the level."""
    noise = Noise(
        _log(rng, 0.003, 0.04), flicker=_log(rng, 0.2, 1.5), multiplicative=True,
        telegraph=_log(rng, 0.2, 1.0) if _chance(rng, 0.5) else 0.0,
        telegraph_s=_log(rng, 5.0, 600.0), flow=rng.uniform(0.0, 0.6),
    )  # fmt: skip
    return Probe(
        _log(rng, 1.0, 6.0), Lag(_log(rng, 1.5, 8.0), _log(rng, 2.0, 15.0)),
        Lag(_log(rng, 20.0, 90.0)), noise, _log(rng, 0.001, 0.01),
        step_mS_cm=rng.choice([0.001, 0.01, 0.02]), step_K=rng.choice([0.01, 0.1]),
        compensation_per_K=rng.normal(0.0, 1.5e-4),
    )  # fmt: skip


def _coarse(rng: Rng) -> Probe:
    """Return a cheap stick: coarse steps, heavy tails, popcorn, a thermometer well behind."""
    step = rng.choice([0.05, 0.1, 0.1])
    noise = Noise(
        step * _log(rng, 0.08, 0.8), heavy=3.0, popcorn_per_h=_log(rng, 0.5, 12.0),
        red=rng.uniform(0.0, 0.6), red_s=_log(rng, 5.0, 60.0), flow=rng.uniform(0.0, 0.8),
    )  # fmt: skip
    return Probe(
        _log(rng, 1.0, 15.0), Lag(_log(rng, 2.0, 20.0)), Lag(_log(rng, 15.0, 100.0)), noise,
        _log(rng, 0.01, 0.04), jitter=rng.choice([0.0, 0.1, 0.4]), step_mS_cm=step,
        step_K=rng.choice([0.05, 0.0625, 0.1]), compensation_per_K=rng.normal(0.0, 3e-4),
        drift_per_h=rng.normal(0.0, 0.01) * _PER_SALINITY,
    )  # fmt: skip


def _bypass(rng: Rng) -> Probe:
    """Return a cell in a hose: water comes late, with bubbles, and the flow is heard."""
    noise = Noise(
        _log(rng, 0.003, 0.03), red=rng.uniform(0.2, 1.5), red_s=_log(rng, 3.0, 60.0),
        flow=rng.uniform(0.5, 0.98), patches=_log(rng, 0.005, 0.1), patches_s=_log(rng, 2.0, 25.0),
    )  # fmt: skip
    delay_s = _log(rng, 3.0, 60.0)
    return Probe(
        _log(rng, 1.0, 6.0), Lag(_log(rng, 1.0, 10.0), delay_s=delay_s),
        Lag(_log(rng, 2.0, 40.0), delay_s=delay_s * rng.choice([0.0, 1.0])), noise,
        _log(rng, 0.001, 0.015), jitter=rng.choice([0.0, 0.02, 0.3]),
        step_mS_cm=rng.choice([0.001, 0.01, 0.02]), step_K=rng.choice([0.01, 0.0625]),
        bubbles=Bubbles(_log(rng, 0.02, 0.4), _log(rng, 0.5, 6.0), _log(rng, 0.003, 0.05)),
    )  # fmt: skip


def _worn(rng: Rng) -> Probe:
    """Return a fouled probe in a film of growth: two time constants, drift, impulses, wander."""
    noise = Noise(
        _log(rng, 0.004, 0.05), impulses=_log(rng, 5e-4, 1e-2), wander=_log(rng, 0.1, 0.6),
        flicker=rng.uniform(0.0, 0.8), multiplicative=_chance(rng, 0.5),
        flow=rng.uniform(0.0, 0.9), patches=_log(rng, 0.003, 0.05),
    )  # fmt: skip
    return Probe(
        _log(rng, 1.0, 10.0),
        Lag(_log(rng, 2.0, 10.0), _log(rng, 20.0, 120.0), slow_share=_log(rng, 0.03, 0.4)),
        Lag(_log(rng, 3.0, 80.0)), noise, _log(rng, 0.002, 0.03), jitter=rng.choice([0.0, 0.3]),
        step_mS_cm=rng.choice([0.001, 0.01, 0.02, 0.05]), step_K=rng.choice([0.01, 0.0625, 0.1]),
        drift_per_h=-_log(rng, 0.002, 0.03) * _PER_SALINITY,
        interference=Interference(_log(rng, 1e-4, 3e-3), _log(rng, 0.3, 20.0)),
    )  # fmt: skip


def _averaging(rng: Rng) -> Probe:
    """Return an instrument that shows a mean, and is read more often than it measures."""
    every_s = _log(rng, 1.0, 5.0)
    mean_s = _log(rng, 4.0, 60.0)
    noise = Noise(
        _log(rng, 0.01, 0.08), red=rng.uniform(0.0, 1.0), red_s=_log(rng, 3.0, 30.0),
        hum=rng.uniform(0.0, 1.0), flow=rng.uniform(0.0, 0.7),
    )  # fmt: skip
    return Probe(
        every_s, Lag(_log(rng, 1.0, 8.0), average_s=mean_s),
        Lag(_log(rng, 2.0, 40.0), average_s=mean_s * rng.choice([0.0, 1.0])), noise,
        _log(rng, 0.0005, 0.01), measures_s=every_s * _log(rng, 1.2, 6.0),
        step_mS_cm=rng.choice([0.001, 0.01, 0.01, 0.02]), step_K=rng.choice([0.001, 0.01, 0.1]),
    )  # fmt: skip


_FAMILIES: dict[str, Callable[[Rng], Probe]] = {
    "bench": _bench,
    "loop powered": _loop_powered,
    "polled": _polled,
    "inductive": _inductive,
    "coarse stick": _coarse,
    "cell in a bypass": _bypass,
    "worn probe": _worn,
    "averaging": _averaging,
}


def _cross(probe: Probe, rng: Rng) -> None:
    """Give some the noise, the pace or the lags of another family: none comes as one whole."""
    other = _FAMILIES[str(rng.choice(list(_FAMILIES)))](rng)
    if _chance(rng, 0.3):
        probe.noise = other.noise
        least = _LEAST_NOISE_STEPS * probe.step_mS_cm
        probe.noise.white_mS_cm = max(probe.noise.white_mS_cm, least)
    if _chance(rng, 0.2):
        probe.every_s, probe.jitter, probe.measures_s = (
            other.every_s, other.jitter, other.measures_s
        )  # fmt: skip
    if _chance(rng, 0.2):
        probe.cell, probe.thermometer = other.cell, other.thermometer


def _trouble(probe: Probe, rng: Rng) -> None:
    """Add what any probe meets now and then."""
    if _chance(rng, 0.3):
        probe.losses.share = _log(rng, 1e-3, 0.02)
    if _chance(rng, 0.12):
        probe.losses.gaps_per_h, probe.losses.gap_s = rng.uniform(0.1, 0.5), _log(rng, 40.0, 400.0)
    if _chance(rng, 0.25):
        probe.interference.spikes = _log(rng, 1e-4, 5e-3)
        probe.interference.spike_mS_cm = _log(rng, 0.3, 30.0)
    if _chance(rng, 0.15):
        _bursts(probe, rng, rng.uniform(0.2, 2.0))
    if _chance(rng, 0.15):
        probe.bubbles = Bubbles(
            _log(rng, 0.02, 0.3), _log(rng, 0.5, 8.0), _log(rng, 0.003, 0.05), _chance(rng, 0.5)
        )
    if _chance(rng, 0.3) and probe.noise.patches == 0.0:
        probe.noise.patches = _log(rng, 0.003, 0.1)
        probe.noise.patches_s = _log(rng, 2.0, 25.0)


def _bursts(probe: Probe, rng: Rng, per_h: float) -> None:
    probe.interference.bursts_per_h = per_h
    probe.interference.burst_s = _log(rng, 10.0, 200.0)
    probe.interference.burst_mS_cm = _log(rng, 0.1, 2.0)


def _clean(probe: Probe, _water: Water, _rng: Rng) -> None:
    """Take away all that comes now and then."""
    probe.interference, probe.losses, probe.bubbles = Interference(), Losses(), Bubbles()
    probe.drift_per_h = probe.noise.popcorn_per_h = probe.noise.impulses = 0.0
    probe.noise.white_mS_cm = min(probe.noise.white_mS_cm, _MOST_CLEAN_NOISE_MS_CM)


def _noisy(probe: Probe, _water: Water, rng: Rng) -> None:
    """Let it scatter by up to 0.3 % of the conductivity of sea water."""
    probe.noise.white_mS_cm = _log(rng, 0.03, _MOST_NOISE_MS_CM)
    probe.noise.red = rng.uniform(0.0, 0.8)
    probe.noise.flicker = min(probe.noise.flicker, 0.5)
    probe.noise_K = _log(rng, 0.005, 0.05)
    if _chance(rng, 0.5):
        probe.noise.impulses = _log(rng, 2e-3, 2e-2)
    if _chance(rng, 0.4):
        _bursts(probe, rng, rng.uniform(0.5, 5.0))


def _bubbling(probe: Probe, _water: Water, rng: Rng) -> None:
    """Let bubbles pass, or cling, or both."""
    which = rng.random()
    if which < 0.7:
        passing_s, per_min = _log(rng, 0.5, 20.0), _log(rng, 0.3, 6.0)
        probe.bubbles = Bubbles(
            min(per_min, 0.25 * 60.0 / passing_s), passing_s, _log(rng, 0.003, 0.12),
            _chance(rng, 0.6),
        )  # fmt: skip
        if probe.cell.average_s > 0.0:
            _thin_out(probe.bubbles)
    if which > 0.4:
        probe.bubbles.clinging_per_h = _log(rng, 0.2, 2.0)


def _thin_out(bubbles: Bubbles) -> None:
    """Let no more bubbles pass than a mean bears, which cannot leave them out."""
    lowers = bubbles.passing_per_min / 60.0 * bubbles.passing_s * bubbles.passing_cut
    bubbles.passing_per_min *= min(1.0, _MOST_MEAN_CUT / lowers)


def _temperature(probe: Probe, _water: Water, rng: Rng) -> None:
    """Let the thermometer sit in a thick sheath."""
    probe.thermometer = Lag(
        _log(rng, 25.0, 150.0), _log(rng, 3.0, 30.0) if _chance(rng, 0.3) else 0.0
    )


def _dropouts(probe: Probe, _water: Water, rng: Rng) -> None:
    """Lose single readings, gaps, and now and then an hour."""
    gap_s, every = _log(rng, 40.0, 900.0), int(rng.choice([0, 0, 0, 2, 3, 7]))
    probe.losses = Losses(
        _log(rng, 0.02, 0.1 if every else 0.4), every,
        min(rng.uniform(0.3, 4.0), _MOST_IN_GAPS * 3600.0 / gap_s), gap_s,
        _log(rng, 1200.0, 7200.0) if _chance(rng, 0.3) else 0.0,
    )  # fmt: skip


def _stuck(probe: Probe, water: Water, rng: Rng) -> None:
    """Let it stick at some time between the pour and a while after the end of mixing."""
    over = np.flatnonzero(water.over)
    end_s = float(over[0]) * water.step_s if len(over) else water.poured_s + 3600.0
    start_s = max(water.poured_s, 60.0)
    from_s = start_s + rng.uniform(0.1, 1.6) * max(end_s - start_s, 600.0)
    if _chance(rng, 0.1):
        from_s = start_s * rng.uniform(0.2, 1.0)
    until_s = from_s + _log(rng, 300.0, 5400.0) if _chance(rng, 0.45) else NEVER_S
    tremble = _log(rng, 0.1, 1.0) if _chance(rng, 0.2) else 0.0
    probe.sticking = Sticking(
        from_s, until_s, str(rng.choice(WAYS, p=[0.45, 0.27, 0.13, 0.15])), tremble
    )


def _slow_thermometer(probe: Probe, _water: Water, rng: Rng) -> None:
    probe.thermometer = Lag(_log(rng, 30.0, 120.0))


def _coarse_steps(probe: Probe, _water: Water, rng: Rng) -> None:
    probe.step_mS_cm, probe.step_K = rng.choice([0.05, 0.1]), rng.choice([0.0625, 0.1])
    least = probe.step_mS_cm * _log(rng, _LEAST_NOISE_STEPS, 0.5)
    probe.noise.white_mS_cm = max(probe.noise.white_mS_cm, least)


def _fouling(probe: Probe, _water: Water, rng: Rng) -> None:
    probe.drift_per_h = -_log(rng, 0.03, 0.12) * _PER_SALINITY


_FAULTS: dict[str, Callable[[Probe, Water, Rng], None]] = {
    "clean": _clean,
    "noisy": _noisy,
    "bubbling": _bubbling,
    "temperature": _temperature,
    "dropouts": _dropouts,
    "stuck probe": _stuck,
    "slow thermometer": _slow_thermometer,
    "coarse steps": _coarse_steps,
    "fouling": _fouling,
}
"""Kinds of fault, and conditions, that are of the probe."""


def probe(instrument: str, water: Water, kind: str, rng: Rng) -> Probe:
    """Draw one instrument of a family with the faults of `kind` that are a probe's."""
    drawn = _FAMILIES[instrument](rng)
    _cross(drawn, rng)
    _trouble(drawn, rng)
    for each in kind.split(" + "):
        if each in _FAULTS:
            _FAULTS[each](drawn, water, rng)
    return drawn


def _instrument(name: str) -> Callable[[Water, str, Rng], Observed]:
    """Return what a family of instruments makes of a water of a kind."""
    return lambda water, kind, rng: observe(probe(name, water, kind, rng), water, rng)


INSTRUMENTS: dict[str, Callable[[Water, str, Rng], Observed]] = {
    name: _instrument(name) for name in _FAMILIES
}
"""Families of instruments: each takes a water, its kind and chance, and returns readings."""
