"""Whether the probe lives and the water flows: noise, repeats, and the cover of time."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from daemon.mixing.stability_cells import CELL_S, Cells, Floats
from daemon.mixing.stability_lattice import (
    COARSE_K,
    PER_MIN,
    SALINITY_PER_MS_CM,
    Lattice,
    log,
    mean,
    scatter,
)
from daemon.mixing.stability_motion import Memory

_LEAST_READING_NOISE = 0.0005
_COARSE_MS_CM = 0.02
_BREAK_SPAN = 8
_BREAK_REACH = 140
_LEAST_LOG_VAR = 0.02
_SALTY_SHARE = 0.7


def of_noise(figures: dict[str, float], grid: Lattice, memory: Memory) -> None:
    """How much the readings scatter, and whether that changed."""
    figures["cell_scatter"] = math.log(grid.sigma)
    figures["long_run_scatter"] = 0.5 * math.log(memory.noise_var or grid.sigma**2)
    noise = np.log(grid.noise_mS_cm + _LEAST_READING_NOISE)
    now = mean(noise[:16])
    for name, low, high in (("lately", 16, 36), ("before", 36, 66), ("long_before", 66, 126)):
        then = noise[low:high]
        there = np.count_nonzero(np.isfinite(then)) > (high - low) // 3
        figures[f"quieter_than_{name}"] = now - mean(then) if there else 0.0
    blocks = noise[: 10 * (len(noise) // 10)].reshape(-1, 10)
    loudest = float(np.max(_row_medians(blocks))) if len(blocks) else now
    figures["quieter_than_ever"] = now - loudest
    earlier = scatter(grid.salinity[40:120])
    figures["calmer_than_earlier"] = math.log(scatter(grid.salinity[:16]) / earlier)
    rest = int(min(max(PER_MIN * math.exp(figures["age_of_0.2"]), 10.0), 100.0))
    resting, moving = noise[:rest], noise[rest + 2 : rest + 42]
    there = np.count_nonzero(np.isfinite(moving)) > 8  # noqa: PLR2004 - fewer tell nothing
    figures["quieter_since_rest"] = mean(resting) - mean(moving) if there else 0.0
    figures["calmer_since_rest"] = (
        math.log(scatter(grid.salinity[:rest]) / scatter(grid.salinity[rest + 2 : rest + 42]))
        if there
        else 0.0
    )
    blocks = np.where(grid.known, grid.salinity, np.nan)[:80]
    blocks = blocks[: 10 * (len(blocks) // 10)].reshape(-1, 10).mean(axis=1)
    figures["slow_scatter"] = math.log(scatter(blocks))


def of_break(figures: dict[str, float], grid: Lattice, memory: Memory, newest: int) -> None:
    """The sharpest step of the noise to quieter since motion began, and to louder after it.

    A pump that stops takes the flow noise with it within a minute or two;
    what the ending inhomogeneity takes away goes as gradually as it ends.
    """
    noise = np.log(grid.noise_mS_cm + _LEAST_READING_NOISE)[:_BREAK_REACH]
    _hear(noise, grid, memory, newest)
    known = memory.hush_index is not None
    age = newest - memory.hush_index if memory.hush_index is not None else 0
    figures["hush"] = memory.hush if known else 0.0
    figures["hush_sure"] = -math.log1p(memory.hush_sure) if known else 0.0
    figures["hush_age"] = math.log(min(max(age, 1) / PER_MIN, 60.0)) if known else 0.0
    off = abs(memory.hush_from - grid.level) if known and memory.hush_from is not None else 0.0
    figures["hush_distance"] = log(off, 0.01)
    figures["louder_since_hush"] = memory.louder if known else 0.0
    salty = grid.salinity[_BREAK_SPAN : len(noise)] > _SALTY_SHARE * grid.level
    blocks = np.where(salty, noise[_BREAK_SPAN:], np.nan)
    blocks = blocks[: _BREAK_SPAN * (len(blocks) // _BREAK_SPAN)].reshape(-1, _BREAK_SPAN)
    full = blocks[np.isfinite(blocks).all(axis=1)]
    quietest = float(full.mean(axis=1).min()) if len(full) else None
    now = mean(noise[:_BREAK_SPAN])
    figures["quieter_than_quietest"] = 0.0 if quietest is None else now - quietest


def _hear(noise: Floats, grid: Lattice, memory: Memory, newest: int) -> None:
    """Keep the surest step to quieter since motion began, and the greatest to louder since."""
    cuts = np.arange(_BREAK_SPAN, len(noise) - _BREAK_SPAN)
    if len(cuts) == 0:
        return
    fell, sure = _steps_of_noise(noise, cuts)
    first = memory.began if memory.began is not None else newest
    at = int(np.argmin(np.where(newest - cuts >= first, sure, 0.0)))
    if -sure[at] > memory.hush_sure and newest - cuts[at] >= first:
        cut = int(cuts[at])
        before = grid.salinity[cut + 2 : cut + _BREAK_SPAN]
        before = before[np.isfinite(before)]
        memory.hush, memory.hush_sure = float(fell[at]), -float(sure[at])
        memory.hush_index, memory.louder = newest - cut, 0.0
        memory.hush_from = float(before.sum()) / len(before) if len(before) else None
    if memory.hush_index is not None:
        after = fell[newest - cuts > memory.hush_index]
        memory.louder = max(memory.louder, float(after.max()) if len(after) else 0.0)


def _steps_of_noise(noise: Floats, cuts: npt.NDArray[np.int64]) -> tuple[Floats, Floats]:
    """Return by how much the noise rose at each cut, as a logarithm, and in standard errors."""
    there = np.isfinite(noise)
    kept = np.where(there, noise, 0.0)
    total = np.concatenate([[0.0], np.cumsum(kept)])
    square = np.concatenate([[0.0], np.cumsum(kept**2)])
    count = np.concatenate([[0], np.cumsum(there)])
    means, errors, enough = [], [], []
    for low, high in ((cuts - _BREAK_SPAN, cuts), (cuts, cuts + _BREAK_SPAN)):
        n = np.maximum(count[high] - count[low], 1)
        middle = (total[high] - total[low]) / n
        var = np.maximum((square[high] - square[low]) / n - middle**2, _LEAST_LOG_VAR)
        means.append(middle)
        errors.append(var / n)
        enough.append(n > _BREAK_SPAN // 2)
    fell = np.where(enough[0] & enough[1], means[0] - means[1], 0.0)
    return fell, fell / np.sqrt(errors[0] + errors[1])


def _row_medians(blocks: Floats) -> Floats:
    ordered = np.sort(blocks, axis=1)
    middle = ordered[:, ordered.shape[1] // 2]
    return np.where(np.isfinite(middle), middle, -8.0)


def of_life(figures: dict[str, float], grid: Lattice, cells: Cells) -> None:
    """Whether the probe lives: repeats, their surprise, and the cover of time.

    A coarse instrument repeats itself at rest, which makes its repeats tell less.
    """
    for name, run, run_s, same, finest, coarse in (
        ("conductivity", cells.run_c, cells.run_c_s, grid.same_c, cells.finest_mS_cm,
         _COARSE_MS_CM),
        ("temperature", cells.run_t, cells.run_t_s, grid.same_t, cells.finest_C, COARSE_K),
    ):  # fmt: skip
        skipped = min(len(same) - 1, int(run_s / CELL_S) + 1)
        there = np.isfinite(same[skipped:])
        pairs = float(grid.count[skipped:][there].sum())
        repeats = float((same[skipped:][there] * grid.count[skipped:][there]).sum())
        usual = (repeats + 1.0) / (pairs + 2.0)
        surprise = min(-run * math.log(usual), 200.0) / (1.0 + ((finest or 0.0) / coarse) ** 2)
        figures[f"{name}_run_surprise"] = math.log1p(surprise)
    fineness = 1.0 + ((cells.finest_mS_cm or 0.0) / _COARSE_MS_CM) ** 2
    figures["conductivity_run"] = math.log1p(min(cells.run_c_s, 3600.0) / fineness / 20.0)
    figures["cover_10min"] = float(np.count_nonzero(grid.known[:20])) / 20.0
    figures["cover_20min"] = float(np.count_nonzero(grid.known[:40])) / 40.0


def of_instrument(figures: dict[str, float], grid: Lattice, cells: Cells) -> None:
    """What the probe is like: its scatter, its steps, how often it is read, how warm it turns.

    Electronics err anew with each reading; water that moves makes cells scatter more than
    their readings would.
    """
    noise = mean(np.log(grid.noise_mS_cm[:40] + _LEAST_READING_NOISE))
    count = max(mean(grid.count[:40]), 1.0)
    figures["reading_noise"] = noise
    figures["readings_per_cell"] = math.log(count)
    figures["scatter_beyond_readings"] = (
        math.log(grid.sigma) - noise - math.log(SALINITY_PER_MS_CM) + 0.5 * math.log(count)
    )
    figures["cut_low"] = log(mean(grid.cut[:20]), 0.003)
    figures["step_conductivity"] = log(cells.finest_mS_cm or 0.0, 0.001)
    figures["step_temperature"] = log(cells.finest_C or 0.0, 0.001)
    warm = grid.temperature_C[:40]
    warm = warm[np.isfinite(warm)]
    figures["temperature_swing"] = log(float(warm.max() - warm.min()), 0.01)
    figures["temperature_rate"] = log(abs(mean(grid.temperature_rate[:10])), 0.003)
