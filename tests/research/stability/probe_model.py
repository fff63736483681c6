"""What the instrument makes of the water: lags, noise, steps, bubbles, faults, losses."""

from __future__ import annotations

from dataclasses import dataclass

import gsw
import numpy as np
import numpy.typing as npt

from tests.research.stability.batch_kinds import NEVER, Batch, draw, rows
from tests.research.stability.tank_model import STEP_S, Truth, integrate

Floats = npt.NDArray[np.float64]

ARM_RISE = 0.3
"""Rise of salinity over the blank at which the service begins a decision."""


@dataclass(frozen=True, slots=True)
class Trace:
    """One record with its truth.

    Attributes:
        kind: Kind, or pair of kinds.
        seed: What it was drawn from.
        t_s: Times of readings, seconds.
        conductivity: mS/cm; NaN where a reading did not come.
        temperature: °C; NaN likewise.
        over: Whether a call at that reading would be right.
        final: Final salinity as known at that time.
        flowing: Whether the pump runs.
        arm_s: When salt is seen arriving.
        over_s: When mixing is over for good within the record; NaN when never.
        added_s: When a second addition came; NaN when none.
        every_s: Interval between readings.
        wall_s: What the wall clock says at each reading, seconds since it began.
    """

    kind: str
    seed: int
    t_s: Floats
    conductivity: Floats
    temperature: Floats
    over: npt.NDArray[np.bool_]
    final: npt.NDArray[np.float32]
    flowing: npt.NDArray[np.bool_]
    arm_s: float
    over_s: float
    added_s: float
    every_s: float
    wall_s: Floats


def traces(jobs: list[tuple[str, int]]) -> list[Trace]:
    """Return the traces of (kind, seed) pairs, integrated together."""
    rngs = [np.random.default_rng(seed) for _, seed in jobs]
    batches = [draw(kind, rng) for (kind, _), rng in zip(jobs, rngs, strict=True)]
    truth = integrate(rows(batches))
    return [
        _observe(kind, seed, batch, rng, _row(truth, k))
        for k, ((kind, seed), batch, rng) in enumerate(zip(jobs, batches, rngs, strict=True))
    ]


def observed(
    kind: str, seed: int, batch: Batch, rng: np.random.Generator, truth: Truth, row: int
) -> Trace:
    """Return the trace of one row of a truth that was integrated elsewhere."""
    return _observe(kind, seed, batch, rng, _row(truth, row))


def _row(truth: Truth, k: int) -> Truth:
    return Truth(
        truth.nook[k], truth.final[k], truth.over[k], truth.flowing[k], truth.temperature[k]
    )


def _lagged(values: Floats, tau_s: float) -> Floats:
    """Return a first-order lag of values on the physics grid."""
    keep = float(np.exp(-STEP_S / tau_s))
    out = np.empty_like(values)
    last = values[0]
    for k, value in enumerate(values.tolist()):
        last = value + (last - value) * keep
        out[k] = last
    return out


def _red(n: int, every_s: float, tau_s: float, rng: np.random.Generator) -> Floats:
    """Return noise of unit variance with an exponential autocorrelation."""
    coarse = max(1, int(tau_s / every_s / 8.0))
    m = n // coarse + 2
    keep = float(np.exp(-coarse * every_s / tau_s))
    kicks = rng.normal(size=m) * np.sqrt(1.0 - keep**2)
    out, last = np.empty(m), float(rng.normal())
    for k, kick in enumerate(kicks.tolist()):
        last = keep * last + kick
        out[k] = last
    return np.interp(np.arange(n), np.arange(m) * coarse, out)


def _window(truth: Truth, b: Batch, rng: np.random.Generator) -> tuple[float, float, float]:
    """Return start and end of the record and when mixing is over for good (NaN: never)."""
    over = truth.over
    settled = np.flatnonzero(~over)
    last_wrong = int(settled[-1]) + 1 if len(settled) else 0
    over_s = last_wrong * STEP_S
    horizon = len(over) * STEP_S
    if over_s > horizon - 1500.0:
        over_s = float("nan")
    start = 0.0
    if b["start"] == 1.0:
        start = b["blank_s"] + rng.uniform(-5.0, 30.0)
    elif b["start"] > 1.0:
        start = b["blank_s"] + rng.uniform(0.3, 3.0) * (b["pour_s"] + 0.3 * b["grain_tau_s"])
    if np.isnan(over_s):
        end = min(horizon - 10.0, b["blank_s"] + max(b["hard_end_s"], 3600.0))
    else:
        end = min(horizon - 10.0, over_s + b["tail_s"])
    if b["stuck_s"] < NEVER:
        end = max(end, min(horizon - 10.0, b["stuck_s"] + b["tail_s"]))
    return max(0.0, start), end, over_s


def _observe(kind: str, seed: int, b: Batch, rng: np.random.Generator, truth: Truth) -> Trace:
    """Return the record that the probe of batch `b` makes."""
    start, end, over_s = _window(truth, b, rng)
    n = int((end - start) / b["every_s"])
    t_s = start + (np.arange(n) + b["jitter"] * rng.uniform(-0.5, 0.5, n)) * b["every_s"]
    t_s = np.sort(np.maximum(t_s, 0.0))
    grid = np.arange(len(truth.nook)) * STEP_S
    kept = int(end / STEP_S) + 2
    warm = _lagged(truth.temperature[:kept].astype(float), b["lag_t_s"])
    salty = truth.nook[:kept].astype(float)
    clean = gsw.C_from_SP(salty, truth.temperature[:kept].astype(float), 0.0)
    true_c = _lagged(np.nan_to_num(clean), b["lag_c_s"])
    at = np.minimum((t_s / STEP_S).astype(int), kept - 1)
    c = np.interp(t_s, grid[:kept], true_c)
    t = np.interp(t_s, grid[:kept], warm)
    c *= 1.0 - b["fouling_per_h"] / 30.0 * t_s / 3600.0
    c += _noise(b, rng, n, c, truth, at)
    t += b["white_t"] * rng.normal(size=n)
    _disturb(b, rng, t_s, c)
    c = np.maximum(np.round(c / b["step_c"]) * b["step_c"], 0.0)
    t = np.round(t / b["step_t"]) * b["step_t"]
    c, t = np.round(c, 6), np.round(t, 6)
    dead = _stick(b, rng, t_s, c, t)
    gone = _lost(b, rng, t_s)
    lag_wrong = np.abs(_lagged(salty, b["lag_c_s"]) - truth.final[:kept]) > 0.1
    over = truth.over[at] & ~lag_wrong[at] & ~dead
    arm_s = arming(t_s, c, t, gone, with_blank=b["start"] == 0.0)
    over_s = _over_at(over_s, t_s, over)
    c[gone] = t[gone] = np.nan
    return Trace(
        kind, seed, t_s, c, t, over, truth.final[at], truth.flowing[at], arm_s, over_s,
        b["second_s"] if b["second_s"] < NEVER else float("nan"), b["every_s"],
        t_s + np.where(t_s >= b["clock_s"], b["clock_jump_s"], 0.0),
    )  # fmt: skip


def _over_at(over_s: float, t_s: Floats, over: npt.NDArray[np.bool_]) -> float:
    """Return when mixing is over for the probe, too; NaN when 30 min do not follow."""
    if np.isnan(over_s):
        return over_s
    wrong = np.flatnonzero(~over)
    first = int(wrong[-1]) + 1 if len(wrong) else 0
    if first >= len(t_s) or t_s[-1] - t_s[first] < 1800.0:
        return float("nan")
    return float(t_s[first])


def _noise(
    b: Batch, rng: np.random.Generator, n: int, c: Floats, truth: Truth,
    at: npt.NDArray[np.int64],
) -> Floats:  # fmt: skip
    """Return noise: of the electronics, and of the flow while the water moves."""
    every, white = b["every_s"], b["white"]
    moving = truth.flowing[at].astype(float)
    ease = np.convolve(moving, np.ones(max(1, int(60.0 / every))), "full")[:n]
    moving = np.minimum(ease / max(1, int(60.0 / every)), 1.0)
    quiet = np.sqrt(1.0 - b["flow_noise"] ** 2)
    gain = np.sqrt(quiet**2 + b["flow_noise"] ** 2 * moving**2)
    if b["noise_with_level"] > 0.0:
        gain = gain * np.clip(c / 50.0, 0.03, 1.5)
    grit = rng.standard_t(3.0, n) / np.sqrt(3.0) if b["heavy"] > 0.0 else rng.normal(size=n)
    noise = white * grit * gain
    if b["red"] > 0.0:
        noise += white * b["red"] * _red(n, every, b["red_s"], rng) * gain
    if b["wander"] > 0.0:
        slow = _red(n, every, 300.0, rng) + _red(n, every, 1500.0, rng)
        noise += min(white * b["wander"], 0.02) * 0.7 * slow
    if b["pink"] > 0.0:
        colours = [_red(n, every, tau_s, rng) for tau_s in (2.0, 10.0, 50.0, 250.0)]
        noise += min(white * b["pink"], 0.03) * 0.5 * np.sum(colours, axis=0) * gain
    if b["hum"] > 0.0:
        noise += white * b["hum"] * np.sin(np.arange(n) * every * 2.0 * np.pi / b["hum_s"])
    if b["patches"] > 0.0:
        apart = np.abs(truth.final[at] - truth.nook[at])
        noise += b["patches"] * np.minimum(apart, 8.0) * _red(n, every, 8.0, rng) * moving
    return np.asarray(noise)


def _disturb(b: Batch, rng: np.random.Generator, t_s: Floats, c: Floats) -> None:
    """Add bubbles, spikes and bursts of interference to `c`."""
    n, span = len(t_s), float(t_s[-1] - t_s[0])
    for start in rng.uniform(t_s[0], t_s[-1], rng.poisson(b["bubbles_per_min"] * span / 60.0)):
        lasts = rng.exponential(b["bubble_s"])
        low, high = np.searchsorted(t_s, [start, start + lasts])
        c[low:high] *= 1.0 - np.minimum(rng.exponential(b["bubble_depth"], high - low), 0.9)
    hit = rng.random(n) < b["spikes"]
    c[hit] += rng.normal(size=int(hit.sum())) * b["spike_size"]
    for start in rng.uniform(t_s[0], t_s[-1], rng.poisson(b["bursts_per_h"] * span / 3600.0)):
        low, high = np.searchsorted(t_s, [start, start + rng.exponential(b["burst_s"])])
        if rng.random() < 0.5:
            hum = np.sin(t_s[low:high] * rng.uniform(0.3, 3.0))
        else:
            hum = rng.normal(size=high - low)
        c[low:high] += b["burst_size"] * hum


def _stick(
    b: Batch, rng: np.random.Generator, t_s: Floats, c: Floats, t: Floats
) -> npt.NDArray[np.bool_]:
    """Freeze one or both channels, or lift the probe out; return where it does not see water."""
    low, high = np.searchsorted(t_s, [b["stuck_s"], b["stuck_end_s"]])
    dead = np.zeros(len(t_s), bool)
    if low >= len(t_s) - 1 or low < 1:
        return dead
    span = slice(int(low), int(high))
    dead[span] = True
    if b["stuck_which"] == 3.0:
        c[span] = np.round(np.abs(rng.normal(0.0, 0.02, dead.sum())) / b["step_c"]) * b["step_c"]
        return dead
    tremble = np.round(rng.normal(0.0, max(b["stuck_jitter"], 1e-12), dead.sum()) / b["step_c"])
    c[span] = c[low - 1] + (tremble * b["step_c"] if b["stuck_jitter"] > 0.0 else 0.0)
    if b["stuck_which"] == 0.0:
        t[span] = t[low - 1]
    return dead


def _lost(b: Batch, rng: np.random.Generator, t_s: Floats) -> npt.NDArray[np.bool_]:
    gone = rng.random(len(t_s)) < b["lost"]
    span = float(t_s[-1] - t_s[0])
    for start in rng.uniform(t_s[0], t_s[-1], rng.poisson(b["gaps_per_h"] * span / 3600.0)):
        low, high = np.searchsorted(t_s, [start, start + rng.exponential(b["gap_s"])])
        gone[low:high] = True
    return np.asarray(gone)


def arming(
    t_s: Floats, c: Floats, t: Floats, gone: npt.NDArray[np.bool_], *, with_blank: bool
) -> float:
    """Return when the service would begin a decision, as its batch logic sees salt."""
    there = np.flatnonzero(~gone)
    if len(there) < 5:
        return float(t_s[-1])
    if not with_blank:
        return float(t_s[there[0]])
    salinity = np.nan_to_num(gsw.SP_from_C(c[there], t[there], 0.0))
    risen = salinity > np.median(salinity[:3]) + ARM_RISE
    both = risen[1:] & risen[:-1]
    first = int(np.argmax(both)) + 1 if both.any() else len(there) - 1
    return float(t_s[there[first]])
