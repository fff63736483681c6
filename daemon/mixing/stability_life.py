"""Whether the probe lives and the water flows: noise, repeats, and the cover of time."""

from __future__ import annotations

import math

import numpy as np

from daemon.mixing.stability_cells import CELL_S, Cells, Floats
from daemon.mixing.stability_lattice import COARSE_K, PER_MIN, Lattice, mean, scatter
from daemon.mixing.stability_motion import Memory

_LEAST_READING_NOISE = 0.0005
_COARSE_MS_CM = 0.02


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
