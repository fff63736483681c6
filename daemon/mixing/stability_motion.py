"""How salinity moved, and how it came to rest.

Slopes over several windows; how long ago salinity was how far away; and
whether the approach ended more abruptly than anything that dissolves can.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from daemon.mixing.stability_cells import Floats
from daemon.mixing.stability_lattice import (
    LEAST_NOISE,
    PER_MIN,
    Lattice,
    log,
    mean,
    signed_log,
    smooth,
    steps,
)

HALT_STEPS = (2, 4, 8, 16)
"""Step lengths at which an abrupt halt is looked for, cells."""

DISTANCES = (0.05, 0.1, 0.2, 0.4, 0.8, 1.6, 3.2)
"""Departures from now whose age is asked for, practical salinity."""

AGE_OFFSET_MIN = 0.5
"""Added to ages before their logarithm is taken, minutes."""

SERIES_STEPS = (10, 20, 40)
"""Step lengths of the geometric series, cells."""

SLOPE_SPANS = (10, 20, 40, 80)
"""Lengths of the windows for slopes, cells."""

PAST_BLOCKS = (6, 12, 20, 32, 50, 80, 120)
"""Bounds of the blocks of the past, cells."""

_MOST_AGE_MIN = 60.0
_MOST_RATIO = 0.8
_MOST_SERIES_RATIO = 0.9
_MOST_PROMISED = 2.0
_PROMISE_COUNTS = 0.1
_TURN = 0.1
_TURN_SIGMAS = 4.0
_TURN_CELLS = 60
_TURN_DECISIONS = 3


@dataclass(slots=True)
class Memory:
    """What earlier decisions leave to later ones.

    Attributes:
        noise_var: Long-run variance of a cell, smoothed; None at first.
        rest_var: Long-run variance of what the last fit left over; None when unknown.
        began: Cell at which the newest motion began; None before the first decision.
        promised: At each step length, what the sharpest fall of the rate had
            promised was still to come.
        promised_at: Salinity at that moment; None when there was none.
        broken: At each step length, the promise of which the largest share was broken.
        broken_at: Salinity at that moment; None when there was none.
        seen_index: Cells of the decisions of the newest half hour.
        seen_level: Salinity at each of them.
        falling: Decisions in a row at which salinity was well below the highest of these.
        turned: Whether salinity was seen to rise and fall again since the decision began.
        hush: By how much the noise fell in its surest step to quieter, a logarithm.
        hush_sure: The same in standard errors, 0 when there was none.
        hush_index: Cell of that step.
        hush_from: Salinity before it.
        louder: Greatest step of the noise to louder since, a logarithm.
        told_index: Cells of the decisions whose forecasts are remembered.
        told: At each horizon, for each of them: salinity then, the rise foretold, its standard
            deviation, and how much was left in all.
    """

    noise_var: float | None = None
    rest_var: float | None = None
    began: int | None = None
    promised: list[float] = field(default_factory=lambda: [0.0] * len(HALT_STEPS))
    promised_at: list[float | None] = field(default_factory=lambda: [None] * len(HALT_STEPS))
    broken: list[float] = field(default_factory=lambda: [0.0] * len(HALT_STEPS))
    broken_at: list[float | None] = field(default_factory=lambda: [None] * len(HALT_STEPS))
    seen_index: list[int] = field(default_factory=list)
    seen_level: list[float] = field(default_factory=list)
    falling: int = 0
    turned: bool = False
    hush: float = 0.0
    hush_sure: float = 0.0
    hush_index: int | None = None
    hush_from: float | None = None
    louder: float = 0.0
    told_index: list[int] = field(default_factory=list)
    told: list[list[tuple[float, float, float, float]]] = field(
        default_factory=lambda: [[], [], []]
    )


def forget(memory: Memory, began: int) -> None:
    """Drop promises that were made, and quiet that fell, before the newest motion began."""
    if memory.began is not None and began > memory.began + HALT_STEPS[0]:
        memory.promised = [0.0] * len(HALT_STEPS)
        memory.promised_at = [None] * len(HALT_STEPS)
        memory.broken = [0.0] * len(HALT_STEPS)
        memory.broken_at = [None] * len(HALT_STEPS)
        memory.hush = memory.hush_sure = memory.louder = 0.0
        memory.hush_index = memory.hush_from = None
        memory.told_index, memory.told = [], [[], [], []]
    memory.began = began if memory.began is None else max(began, memory.began)


def begin(memory: Memory) -> None:
    """Forget what turned before a decision began."""
    memory.seen_index, memory.seen_level = [], []
    memory.falling, memory.turned = 0, False


def look_for_turn(memory: Memory, newest: int, level: float, sigma: float) -> None:
    """Note whether salinity fell well below where it was within half an hour.

    Only water that flows brings that: brine that passed the probe is mixed in.
    """
    memory.seen_index.append(newest)
    memory.seen_level.append(level)
    while memory.seen_index[0] < newest - _TURN_CELLS:
        del memory.seen_index[0], memory.seen_level[0]
    fell = max(memory.seen_level) - level > max(_TURN, _TURN_SIGMAS * sigma)
    memory.falling = memory.falling + 1 if fell else 0
    memory.turned = memory.turned or memory.falling >= _TURN_DECISIONS


def began(grid: Lattice) -> int:
    """Return the age at which the newest motion began: the latest sharp change of the rate."""
    span = 4
    smoothed = smooth(np.where(grid.known, grid.salinity, np.nan), 3)
    if len(smoothed) < 2 * span + 2:
        return len(smoothed)
    rise = steps(smoothed, span)
    later, earlier = rise[:-span], rise[span:]
    limit = max(0.12, 8.0 * grid.sigma)
    with np.errstate(invalid="ignore"):
        sharp = np.flatnonzero(np.abs(later) > 2.5 * np.abs(earlier) + limit)
    return int(sharp[0]) + span if len(sharp) else len(smoothed)


def of_slopes(figures: dict[str, float], grid: Lattice, inflation: float) -> tuple[float, float]:
    """Slopes over several windows; returns that of 20 min and its uncertainty, 1/min."""
    chosen = (0.0, 1.0)
    for span in SLOPE_SPANS:
        known = np.flatnonzero(grid.known[:span])
        minutes = span / PER_MIN
        if len(known) < span // 3:
            slope, slope_u = 0.0, 0.3
        else:
            slope, slope_u = _slope(-known / PER_MIN, grid.salinity[known], inflation)
        slope_u = max(slope_u, 1e-5)
        figures[f"change_{minutes:.0f}min"] = signed_log(slope * 10.0, 0.003)
        figures[f"change_u_{minutes:.0f}min"] = log(slope_u * 10.0, 0.001)
        if span == 40:  # noqa: PLR2004 - the window that is told to people
            chosen = (slope, slope_u)
    return chosen


def _slope(minutes: Floats, values: Floats, inflation: float) -> tuple[float, float]:
    """Return the least-squares slope and its standard error, 1/min."""
    x = minutes - minutes.mean()
    y = values - values.mean()
    sxx = float(x @ x)
    slope = float(x @ y) / sxx
    rest = y - slope * x
    var = float(rest @ rest) / max(1, len(x) - 2)
    return slope, math.sqrt(max(var, LEAST_NOISE**2 / 4.0) * inflation / sxx)


def of_approach(figures: dict[str, float], grid: Lattice, start: int) -> None:
    """How long ago salinity was how far away: the shape of the approach."""
    smoothed = smooth(np.where(grid.known, grid.salinity, np.nan), 3)[:start]
    off = smoothed - grid.level
    size = np.where(np.isfinite(off), np.abs(off), 0.0)
    seen = np.flatnonzero(np.isfinite(off))
    oldest_min = float(seen[-1]) / PER_MIN if len(seen) else 0.0
    last, step = 0.0, 0.5
    for distance in DISTANCES:
        beyond = np.flatnonzero(size > max(distance, 3.0 * grid.sigma))
        if len(beyond):
            age_min = _crossing(size, int(beyond[0]), distance) / PER_MIN
            step = max(age_min - last, 0.2)
        else:
            age_min = max(last + step, oldest_min)
        last = min(age_min, _MOST_AGE_MIN)
        figures[f"age_of_{distance:g}"] = math.log(last + AGE_OFFSET_MIN)
    beyond = np.flatnonzero(size > 0.2)  # noqa: PLR2004 - one of the distances
    side = -float(np.sign(off[beyond[0]])) if len(beyond) else 0.0
    figures["came_from_below"] = side


def _crossing(size: Floats, at: int, distance: float) -> float:
    """Return the age, in cells, at which the departure passed `distance` on its way to `at`."""
    if at == 0:
        return 0.0
    inner, outer = min(float(size[at - 1]), distance), float(size[at])
    return at - 1 + min(max((distance - inner) / max(outer - inner, 1e-9), 0.0), 1.0)


def of_past(figures: dict[str, float], grid: Lattice) -> None:
    """How far salinity was from now in blocks of the past, each twice as long as the last."""
    off = np.where(grid.known, grid.salinity - grid.level, np.nan)
    last = 0.0
    for low, high in pairwise(PAST_BLOCKS):
        block = off[low:high]
        block = block[np.isfinite(block)]
        if len(block):
            last = float(block.sum()) / len(block)
        figures[f"was_off_{high / PER_MIN:.0f}min"] = signed_log(last, 0.003)


def of_series(figures: dict[str, float], grid: Lattice) -> None:
    """What two equal steps up to now say is left, as the sum of a geometric series."""
    values = np.where(grid.known, grid.salinity, np.nan)
    for length in SERIES_STEPS:
        third = max(1, length // 3)
        ends = [values[k * length : k * length + third] for k in range(3)]
        left = 0.0
        if all(np.count_nonzero(np.isfinite(end)) for end in ends):
            now, middle, then = (mean(end) for end in ends)
            error = 1.5 * grid.sigma / math.sqrt(third)
            last, before = abs(now - middle), abs(middle - then)
            ratio = min((last + error) / max(before - error, 1e-4), _MOST_SERIES_RATIO)
            left = math.copysign(last + error, now - middle) * ratio / (1.0 - ratio)
        figures[f"series_{length / PER_MIN:.0f}min"] = signed_log(left, 0.02)


def of_halt(figures: dict[str, float], grid: Lattice, memory: Memory, start: int) -> None:
    """How much more an earlier fall of the rate had promised than then came.

    Sums of decaying modes flatten gradually: the rate's logarithm is convex, so
    that from any moment on at least the geometric sum of the last two steps is
    still to come.  It must hold of steps after salt stopped arriving, hence the
    third step, which must not be smaller than the second.  Shrinking grains,
    which end, break up to half of such a promise; a stream that has lost its
    pump breaks nearly all of it.
    """
    smoothed = smooth(np.where(grid.known, grid.salinity, np.nan), 3)
    smoothed = smoothed[: start + 2 * HALT_STEPS[-1]]
    smear = grid.sigma * 0.9
    for which, length in enumerate(HALT_STEPS):
        short = _shortfall(smoothed, length, smear, grid.level, memory, which)
        minutes = f"{length / PER_MIN:.0f}min"
        broken = _share_broken(memory, which, grid.level)
        if memory.turned:
            short, broken = -1.0, 0.0
        figures[f"shortfall_{minutes}"] = signed_log(max(short, -0.5), 0.03)
        figures[f"broken_{minutes}"] = broken


def _shortfall(
    smoothed: Floats, length: int, smear: float, level: float, memory: Memory, which: int
) -> float:
    """Return the largest broken promise at one step length, practical salinity."""
    worst = -1.0
    kept, kept_at = memory.promised[which], memory.promised_at[which]
    if kept_at is not None:
        worst = kept - 1.3 * (level - kept_at)
    if len(smoothed) >= 3 * length + 2:
        sure, ratio = _promises(smoothed, length, smear)
        ages = np.arange(len(sure))
        due = sure * (1.0 - np.exp(np.log(np.maximum(ratio, 1e-9)) * (ages / length)))
        base = np.where(np.isfinite(smoothed[: len(sure)]), smoothed[: len(sure)], level)
        gap = np.where(sure > 0.0, due - 1.3 * (level - base), -1.0)
        at = int(np.argmax(gap))
        if gap[at] > worst:
            worst = float(gap[at])
            if at > length:
                memory.promised[which], memory.promised_at[which] = float(sure[at]), float(base[at])
        _keep_broken(memory, which, (due, base, level), length)
    return worst


def _promises(smoothed: Floats, length: int, smear: float) -> tuple[Floats, Floats]:
    """Return what is surely still to come at each age, and the ratio of the last two steps."""
    rise = steps(smoothed, length)
    now, before, first = rise[: -2 * length], rise[length:-length], rise[2 * length :]
    with np.errstate(invalid="ignore"):
        real = (before > 4.0 * smear) & (now > 4.0 * smear) & (first > 0.8 * before)
        ratio = np.where(real, (now - 2.0 * smear) / (before + 2.0 * smear), 0.0)
    ratio = (
        np.minimum(ratio, _MOST_RATIO)
        if length >= HALT_STEPS[2]
        else np.where(ratio > _MOST_RATIO, 0.0, ratio)
    )
    sure = np.where(ratio > 0.0, (now - 2.0 * smear) * ratio / (1.0 - ratio), 0.0)
    return np.minimum(sure, _MOST_PROMISED), ratio


def _keep_broken(
    memory: Memory, which: int, due_base_level: tuple[Floats, Floats, float], length: int
) -> None:
    """Keep the promise of which the largest share was broken."""
    due, base, level = due_base_level
    share = np.minimum((due - (level - base)) / (due + _PROMISE_COUNTS), 1.0)
    share[: length + 1] = -1.0
    at = int(np.argmax(share))
    if due[at] > 0.0 and share[at] > _share_broken(memory, which, level):
        memory.broken[which], memory.broken_at[which] = float(due[at]), float(base[at])


def _share_broken(memory: Memory, which: int, level: float) -> float:
    """Return the share of a promise that was broken, small promises counting for little."""
    due, base = memory.broken[which], memory.broken_at[which]
    if base is None:
        return 0.0
    return min(max((due - (level - base)) / (due + _PROMISE_COUNTS), 0.0), 1.0)
