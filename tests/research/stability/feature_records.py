"""The features along a trace, by the detector's own code, in bulk.

Feeding whole cells at a time gives the same numbers as feeding readings one by
one (a test compares them) and is several times quicker.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from daemon.mixing.stability.cells import (
    CELL_S,
    Cells,
    OpenCell,
    add_reading,
    cell_index,
    close_cell,
    plausible,
)
from daemon.mixing.stability.detector import AFTER_ARMING, CELLS_BEFORE_ARMING, DWELL
from daemon.mixing.stability.features import FEATURE_NAMES, FeatureState, feature_rows
from daemon.mixing.stability.interlocks import InterlockState, interlock, must_wait
from tests.research.stability.probe_model import Trace

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Record:
    """What one trace gave in each half minute from a little before the arming on.

    Attributes:
        kind: As in the trace.
        seed: As in the trace.
        t_s: When the decision falls: the first reading after the cell.
        features: A row a half minute.
        over: Whether a call would be right.
        over_s: As in the trace.
        pump_runs: Whether the pump is known to run, had it an input.
        blocked: Whether an interlock blocks a call.
        waiting: Whether a call has to wait: a probe that may be stuck, a level that leaps.
    """

    kind: str
    seed: int
    t_s: Floats
    features: npt.NDArray[np.float32]
    over: Flags
    over_s: float
    pump_runs: Flags
    blocked: Flags
    waiting: Flags


_TAIL_S = 6000.0
_DUE_S = 1740.0
_LONGEST_S = 10800.0
_PUMP_S = 300.0
_LEAST_ROWS = 80
_LATEST_BEGIN = 150


def feature_record(
    trace: Trace, *, tail_s: float = _TAIL_S, longest_s: float = _LONGEST_S
) -> Record:
    """Return the record of `trace` up to a time past the end of mixing, or past arming."""
    cells, armed = cells_of(trace, tail_s, longest_s)
    return features_along(trace, cells, max(0, armed - CELLS_BEFORE_ARMING), armed)


def records_of(trace: Trace, rng: np.random.Generator, longest_s: float) -> list[Record]:
    """Return the record of a trace and, of some, one more that begins somewhere within it.

    So nothing can be learned from how long a record is, and a detector that is
    armed in the middle of things knows what to do.
    """
    cells, armed = cells_of(trace, _TAIL_S, longest_s)
    first = max(0, armed - CELLS_BEFORE_ARMING)
    out = [features_along(trace, cells, first, armed)]
    length = len(cells.index) - first
    if rng.random() < 0.3 and length > _LEAST_ROWS:
        begin = first + int(rng.uniform(0.0, min(length - 60, _LATEST_BEGIN)))
        out.append(features_along(trace, cells, begin, max(begin, armed)))
    return [each for each in out if len(each.t_s) > DWELL]


def with_pump_input(record: Record) -> Record:
    """Return a record in which a pump input blocks calls.

    A pump known to run has run for 5 min; one that ran for less counts as standing.
    """
    return replace(record, blocked=record.blocked | ~record.pump_runs)


def cells_of(trace: Trace, tail_s: float, longest_s: float) -> tuple[Cells, int]:
    """Return all cells of a trace, and at which of them the decision begins."""
    cells, cell = Cells(capacity=sys.maxsize), OpenCell()
    there = np.isfinite(trace.conductivity)
    index = np.floor(trace.t_s / CELL_S).astype(int)
    edges = np.flatnonzero(np.diff(index)) + 1
    conductivity, temperature = trace.conductivity.tolist(), trace.temperature.tolist()
    arming = cell_index(trace.arm_s)
    cell.index = int(index[0])
    for low, high in zip([0, *edges.tolist()], edges.tolist(), strict=False):
        if trace.t_s[high] > trace.over_s + tail_s or trace.t_s[high] > trace.arm_s + longest_s:
            break
        for k in range(low, high):
            if there[k] and plausible(conductivity[k], temperature[k]):
                add_reading(cell, 0.0, conductivity[k], temperature[k])
        close_cell(cells, cell, int(index[high]))
    return cells, int(np.searchsorted(np.array(cells.index), arming))


def features_along(trace: Trace, cells: Cells, begin: int, armed: int) -> Record:
    """Return the features of cells from `begin` on; calls may come from `armed` on."""
    state = FeatureState()
    rows: list[list[float]] = []
    at: list[int] = []
    blocked: list[bool] = []
    waiting: list[bool] = []
    interlocks = InterlockState()
    armed_index = cells.index[armed] if armed < len(cells.index) else 0
    for k in range(begin, len(cells.index)):
        added = feature_rows(state, cells, k)
        rows += added
        missing = len(added) - 1
        at += [cells.index[k] - missing + j for j in range(len(added))]
        blocks = bool(interlock(interlocks, cells, k)) or k < armed
        blocks = blocks or cells.index[k] - armed_index < AFTER_ARMING
        blocked += [True] * missing + [blocks]
        waiting += [True] * missing + [must_wait(cells, k)]
    index = np.array(at, dtype=np.int64)
    reading = np.searchsorted(trace.t_s, (index + 1) * CELL_S)
    reading = np.minimum(reading, len(trace.t_s) - 1)
    back = max(1, int(_PUMP_S / trace.every_s))
    flowing = np.concatenate([[0], np.cumsum(trace.flowing)])
    known = flowing[reading] - flowing[np.maximum(reading - back, 0)] >= np.minimum(reading, back)
    t_s = trace.t_s[reading]
    due = len(t_s) > 0 and t_s[-1] > trace.over_s + _DUE_S
    return Record(
        trace.kind, trace.seed, t_s,
        np.array(rows, np.float32).reshape(len(rows), len(FEATURE_NAMES)),
        trace.over[reading], trace.over_s if due else float("nan"), known, np.array(blocked, bool),
        np.array(waiting, bool),
    )  # fmt: skip
