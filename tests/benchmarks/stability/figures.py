"""The figures of the detector along a trace, by the detector's own code, in bulk.

Feeding whole cells at a time gives the same numbers as feeding readings one by
one (a test holds them together) and is several times quicker.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from daemon.mixing import stability_cells as cells_
from daemon.mixing import stability_evidence as evidence_
from daemon.mixing import stability_motion as motion_
from daemon.mixing import stability_score as score_
from tests.benchmarks.stability.probe import Trace, traces

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Record:
    """What one trace gave at the end of each cell after the arming.

    Attributes:
        kind: As in the trace.
        seed: As in the trace.
        t_s: When the decision could be told: the first reading after the cell.
        table: Figures, a row a decision; NaN rows where there was no evidence.
        level: Salinity now.
        over: Whether a call would be right.
        over_s: As in the trace.
        known: Whether the pump is known to run, had it an input.
    """

    kind: str
    seed: int
    t_s: Floats
    table: npt.NDArray[np.float32]
    level: Floats
    over: npt.NDArray[np.bool_]
    over_s: float
    known: npt.NDArray[np.bool_]


NAMES: list[str] = []
"""Names of the figures; see `names`."""

_TAIL_S = 6000.0
_DUE_S = 1740.0
_LONGEST_S = 10800.0


def names() -> list[str]:
    """Return the names of the figures, in their order."""
    if not NAMES:
        record(traces([("clean", 1)])[0])
    return NAMES


def record(trace: Trace, *, tail_s: float = _TAIL_S, longest_s: float = _LONGEST_S) -> Record:
    """Return the figures along `trace` up to a time past the end of mixing, or past arming."""
    cells, cell, memory = cells_.Cells(), cells_.OpenCell(), motion_.Memory()
    there = np.isfinite(trace.conductivity)
    index = np.floor(trace.t_s / cells_.CELL_S).astype(int)
    edges = np.flatnonzero(np.diff(index)) + 1
    starts = np.concatenate([[0], edges])
    ends = np.concatenate([edges, [len(index)]])
    conductivity, temperature = trace.conductivity.tolist(), trace.temperature.tolist()
    out: list[tuple[float, bool, float, bool, list[float]]] = []
    armed = cells_.cell_index(trace.arm_s)
    cell.index, near = int(index[0]), False
    for low, high in zip(starts.tolist(), ends.tolist(), strict=True):
        if high >= len(index):
            break
        for k in range(low, high):
            if there[k] and cells_.believable(conductivity[k], temperature[k]):
                cells_.gather(cell, 0.0, conductivity[k], temperature[k])
        closed = cells_.close(cells, cell, int(index[high]))
        if not closed or cells.index[-1] < armed:
            continue
        if not evidence_.due(cells.index[-1], near=near):
            continue
        now_s = trace.t_s[high]
        if now_s > trace.over_s + tail_s or now_s > trace.arm_s + longest_s:
            break
        found = evidence_.examine(cells, memory)
        near = found is not None and not score_.veto(found.figures)
        if found is None:
            continue
        if not NAMES:
            NAMES.extend(found.figures)
        flowing = bool(trace.flowing[max(0, low - 300 // max(1, int(trace.every_s))) : high].all())
        out.append(
            (float(trace.t_s[high]), bool(trace.over[high]), found.level, flowing,
             list(found.figures.values()))
        )  # fmt: skip
    return Record(
        trace.kind, trace.seed,
        np.array([row[0] for row in out]),
        np.array([row[4] for row in out], np.float32).reshape(len(out), len(NAMES)),
        np.array([row[2] for row in out]),
        np.array([row[1] for row in out], bool),
        trace.over_s if out and out[-1][0] > trace.over_s + _DUE_S else float("nan"),
        np.array([row[3] for row in out], bool),
    )  # fmt: skip
