"""Instruments of the held-out families: lags, noise, steps, bubbles, faults and losses.

Three makes: a bench meter, a transmitter in the field, a cheap board.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import gsw
import numpy as np

from tests.research.stability.families.apart_noise import (
    Colour,
    arma,
    grit,
    one_over_f,
    telegraph,
)
from tests.research.stability.families.apart_plan import (
    STEP_S,
    Flags,
    Floats,
    Plan,
    Rng,
    grid_s,
    log_uniform,
    motion,
)

_GROWS = 1.0 / 3.0
_MOST_BUBBLES = 0.6


@dataclass(slots=True)
class Make:
    """What is drawn of an instrument.

    Attributes:
        every_s: Interval between readings.
        jitter: Of the interval, as a share.
        lags_s: Of conductivity, one after the other.
        sheath_s: Of the thermometer, likewise.
        late_s: Dead time of both.
        size: Of the noise, mS/cm.
        colour: Of the coloured part.
        coloured: How large that is, as a share.
        with_level: Share of the noise that goes with conductivity.
        with_flow: Share of the noise that goes with the flow.
        leaps: Size of a telegraph noise, mS/cm; 0 for none.
        step_c: Smallest step of conductivity, mS/cm.
        step_t: Of temperature, °C.
        drift_per_h: Of the cell, a share per hour.
    """

    every_s: float
    jitter: float
    lags_s: tuple[float, ...]
    sheath_s: tuple[float, ...]
    late_s: float
    size: float
    colour: Colour
    coloured: float
    with_level: float
    with_flow: float
    leaps: float
    step_c: float
    step_t: float
    drift_per_h: float


@dataclass(frozen=True, slots=True)
class Readings:
    """What an instrument makes of the water.

    Attributes:
        t_s: Times, s.
        conductivity: mS/cm; NaN where a reading did not come.
        temperature: °C; NaN likewise.
        dead: Where it does not see the water.
    """

    t_s: Floats
    conductivity: Floats
    temperature: Floats
    dead: Flags


def bench_meter(rng: Rng) -> Make:
    """Draw a bench meter: quick readings in fine steps, a lag of second order, ARMA noise."""
    lag_s = log_uniform(rng, 1.5, 10.0)
    sheath_s = log_uniform(rng, 3.0, 20.0)
    return Make(
        every_s=float(rng.choice([1.0, 1.0, 2.0, 5.0])), jitter=0.0,
        lags_s=(lag_s, lag_s * rng.uniform(0.3, 1.0)), sheath_s=(sheath_s, 0.5 * sheath_s),
        late_s=0.0, size=log_uniform(rng, 0.002, 0.015), colour=arma,
        coloured=rng.uniform(0.1, 1.0), with_level=0.0, with_flow=rng.uniform(0.0, 0.7), leaps=0.0,
        step_c=float(rng.choice([0.001, 0.001, 0.01])), step_t=float(rng.choice([0.001, 0.01])),
        drift_per_h=0.0,
    )  # fmt: skip


def transmitter(rng: Rng) -> Make:
    """Draw a transmitter: slow readings, dead time, 1/f noise that goes with the level."""
    return Make(
        every_s=float(rng.choice([3.0, 5.0, 10.0, 15.0])), jitter=0.0,
        lags_s=(log_uniform(rng, 3.0, 20.0),), sheath_s=(log_uniform(rng, 10.0, 50.0),),
        late_s=rng.uniform(0.0, 12.0), size=log_uniform(rng, 0.003, 0.02), colour=one_over_f,
        coloured=rng.uniform(0.3, 1.0), with_level=rng.uniform(0.3, 1.0),
        with_flow=rng.uniform(0.0, 0.4), leaps=0.0,
        step_c=float(rng.choice([0.01, 0.01, 0.02, 0.05])),
        step_t=float(rng.choice([0.01, 0.1])), drift_per_h=log_uniform(rng, 1e-5, 2e-4),
    )  # fmt: skip


def cheap_board(rng: Rng) -> Make:
    """Draw a cheap board: uneven times, noise with heavy tails, leaps and coarse steps."""
    return Make(
        every_s=float(rng.choice([1.0, 2.0, 4.0, 10.0, 20.0, 30.0])), jitter=rng.uniform(0.0, 0.5),
        lags_s=(log_uniform(rng, 1.0, 8.0),), sheath_s=(log_uniform(rng, 5.0, 40.0),),
        late_s=0.0, size=log_uniform(rng, 0.006, 0.03), colour=grit, coloured=1.0,
        with_level=rng.uniform(0.0, 0.8), with_flow=rng.uniform(0.0, 0.6),
        leaps=log_uniform(rng, 0.003, 0.02) if rng.random() < 0.4 else 0.0,
        step_c=float(rng.choice([0.01, 0.02, 0.05, 0.1])),
        step_t=float(rng.choice([0.0625, 0.1, 0.01])),
        drift_per_h=log_uniform(rng, 1e-5, 3e-4),
    )  # fmt: skip


INSTRUMENTS: dict[str, Callable[[Rng], Make]] = {
    "bench meter": bench_meter,
    "transmitter": transmitter,
    "cheap board": cheap_board,
}


def warmth(drawn: Plan, rng: Rng) -> Floats:
    """Return the temperature of the water on the grid, °C."""
    t_s = grid_s()
    start_C = rng.uniform(18.0, 26.0)
    room_C = start_C + rng.uniform(-2.0, 2.0)
    tau_s = 3600.0 * (2.0 + 6.0 * (drawn.volume_l / 2000.0) ** 0.3)
    warm = room_C + (start_C - room_C) * np.exp(-t_s / tau_s)
    cools = rng.uniform(0.0, 0.8) * -np.expm1(-np.maximum(t_s - drawn.poured_s, 0.0) / 150.0)
    warm = warm - cools * np.exp(-t_s / tau_s)
    if rng.random() < 0.3:
        warm += log_uniform(rng, 0.02, 0.15) * _thermostat(t_s, log_uniform(rng, 500.0, 3000.0))
    if "temperature" in drawn.faults:
        how = rng.integers(3)
        if how == 0:
            warm += np.clip(rng.uniform(-4.0, 4.0) * t_s / 3600.0, -7.0, 7.0)
        elif how == 1:
            warm += log_uniform(rng, 0.15, 0.8) * _thermostat(t_s, log_uniform(rng, 400.0, 3600.0))
        else:  # a heater is switched on, or a door opened
            since_s = np.maximum(t_s - rng.uniform(600.0, 9000.0), 0.0)
            warm += rng.choice([-1.0, 1.0]) * rng.uniform(0.8, 4.0) * -np.expm1(-since_s / 1800.0)
    return np.asarray(warm)


def _thermostat(t_s: Floats, period_s: float) -> Floats:
    """Return a saw that rises quickly and falls slowly, from -1 to 1."""
    turn = (t_s / period_s) % 1.0
    return np.asarray(2.0 * np.where(turn < 0.25, turn / 0.25, (1.0 - turn) / 0.75) - 1.0)


def follow(values: Floats, lags_s: tuple[float, ...], late_s: float = 0.0) -> Floats:
    """Return values on the grid as an instrument follows them, lag after lag."""
    out = values.copy()
    late = int(late_s / STEP_S)
    if late:
        out[late:], out[:late] = values[:-late], values[0]
    for lag_s in lags_s:
        keep, last = float(np.exp(-STEP_S / lag_s)), float(out[0])
        for k, value in enumerate(out.tolist()):
            last = value + (last - value) * keep
            out[k] = last
    return out


def make(name: str, drawn: Plan, rng: Rng) -> Make:
    """Draw an instrument, noisy where the kind says so."""
    found = INSTRUMENTS[name](rng)
    if "noisy" in drawn.faults:
        found.size = log_uniform(rng, 0.02, 0.09)
        found.coloured = min(found.coloured, 0.7)
        if rng.random() < 0.4:
            found.leaps = log_uniform(rng, 0.01, 0.06)
    return found


def read(
    made: Make, drawn: Plan, salinity: Floats, warm: Floats, end_s: float, stuck_s: float, rng: Rng
) -> Readings:
    """Return the readings that an instrument makes of the water until a time.

    Args:
        made: The instrument.
        drawn: The batch, whose faults of the probe are laid over.
        salinity: At the probe, on the grid.
        warm: Temperature of the water there, °C.
        end_s: End of the record.
        stuck_s: When the probe sticks, where it does.
        rng: Chance.
    """
    t_s = np.arange(0.0, end_s, made.every_s)
    n = len(t_s)
    t_s = np.maximum(t_s + made.jitter * made.every_s * rng.uniform(-0.5, 0.5, n), 0.0)
    grid = grid_s()
    true_c = follow(np.asarray(gsw.C_from_SP(salinity, warm, 0.0)), made.lags_s, made.late_s)
    c = np.interp(t_s, grid, true_c)
    t = np.interp(t_s, grid, follow(warm, made.sheath_s, made.late_s))
    moves = np.interp(t_s, grid, motion(drawn, grid))
    c *= 1.0 - made.drift_per_h * t_s / 3600.0
    c *= 1.0 - _bubbles(drawn, t_s, moves, rng)
    c += _noise(made, c, moves, rng)
    t += log_uniform(rng, 0.001, 0.01) * rng.normal(size=n)
    c = np.maximum(_in_steps(c, made.step_c), 0.0)
    t = _in_steps(t, made.step_t)
    dead = _stick(drawn, t_s, c, t, (stuck_s, made.step_c), rng)
    gone, kept = _lost(drawn, t_s, rng)
    c[gone] = t[gone] = np.nan
    return Readings(t_s[kept], c[kept], t[kept], dead[kept])


def _in_steps(values: Floats, step: float) -> Floats:
    return np.asarray(np.round(np.round(values / step) * step, 6))


def _noise(made: Make, c: Floats, moves: Floats, rng: Rng) -> Floats:
    n = len(c)
    gain = 1.0 - made.with_level + made.with_level * np.clip(c / 50.0, 0.02, 1.5)
    gain *= 1.0 - made.with_flow + made.with_flow * np.clip(moves, 0.0, 1.0)
    noise = rng.normal(size=n) + made.coloured * made.colour(n, made.every_s, rng)
    noise *= made.size * gain
    if made.leaps > 0.0:
        noise += made.leaps * telegraph(n, made.every_s, rng)
    return np.asarray(noise)


def _bubbles(drawn: Plan, t_s: Floats, moves: Floats, rng: Rng) -> Floats:
    """Return which share of the cell bubbles cover: some pass, some cling, grow and let go."""
    covered = np.zeros(len(t_s))
    hours = float(t_s[-1]) / 3600.0
    if "bubbling" in drawn.faults:
        pass_per_h, cling_per_h = log_uniform(rng, 10.0, 240.0), log_uniform(rng, 0.3, 6.0)
    elif rng.random() < 0.2:
        pass_per_h, cling_per_h = log_uniform(rng, 1.0, 10.0), 0.0
    else:
        return covered
    deep, deeper = log_uniform(rng, 0.003, 0.06), log_uniform(rng, 0.003, 0.03)
    clings_s = log_uniform(rng, 20.0, 600.0)
    for per_h, lasts_s, depth in ((pass_per_h, 3.0, deep), (cling_per_h, clings_s, deeper)):
        for start_s in rng.uniform(0.0, t_s[-1], rng.poisson(per_h * hours)).tolist():
            whole_s, size = rng.exponential(lasts_s), min(rng.exponential(depth), 0.3)
            low, high = np.searchsorted(t_s, [start_s, start_s + whole_s])
            if high > low and rng.random() < 0.3 + 0.7 * float(moves[low]):
                covered[low:high] += size * ((t_s[low:high] - start_s) / whole_s) ** _GROWS
    return np.asarray(np.minimum(covered, _MOST_BUBBLES))


def _stick(
    drawn: Plan, t_s: Floats, c: Floats, t: Floats, at: tuple[float, float], rng: Rng
) -> Flags:
    """Let the probe stick from a time on, or hang in air; return where it sees no water.

    `at` holds that time and the step of conductivity.
    """
    dead = np.zeros(len(t_s), bool)
    if "stuck probe" not in drawn.faults:
        return dead
    stuck_s, step_c = at
    until_s = stuck_s + log_uniform(rng, 400.0, 6000.0) if rng.random() < 0.25 else np.inf
    low, high = (int(each) for each in np.searchsorted(t_s, [stuck_s, until_s]))
    if not 0 < low < len(t_s) - 1:
        return dead
    dead[low:high] = True
    how = rng.random()
    if how < 0.12:
        c[low:high] = np.round(np.abs(rng.normal(0.0, 0.015, high - low)) / step_c) * step_c
        return dead
    c[low:high] = c[low - 1]
    if how < 0.27:
        c[low:high] += step_c * (rng.random(high - low) < 0.02)
    if how < 0.75:
        t[low:high] = t[low - 1]
    return dead


def _lost(drawn: Plan, t_s: Floats, rng: Rng) -> tuple[Flags, Flags]:
    """Return which readings are lost, in runs, and which rows there are but for an outage."""
    n = len(t_s)
    gone, kept = np.zeros(n, bool), np.ones(n, bool)
    if "dropouts" not in drawn.faults:
        return gone if rng.random() < 0.7 else rng.random(n) < log_uniform(rng, 1e-4, 5e-3), kept
    # Good and bad times of the line take turns; in a bad one most readings are lost.
    good_s, bad_s = log_uniform(rng, 30.0, 900.0), log_uniform(rng, 5.0, 200.0)
    at_s, bad = 0.0, False
    while at_s < t_s[-1]:
        lasts_s = rng.exponential(bad_s if bad else good_s)
        low, high = np.searchsorted(t_s, [at_s, at_s + lasts_s])
        if bad:
            gone[low:high] = rng.random(high - low) < 0.85
        at_s, bad = at_s + lasts_s, not bad
    for start_s in rng.uniform(300.0, t_s[-1], rng.poisson(0.6)).tolist():
        low, high = np.searchsorted(t_s, [start_s, start_s + log_uniform(rng, 120.0, 3600.0)])
        kept[low:high] = False
    return np.asarray(gone), kept
