"""What the head of the release forecast learns from: each minute of a decision, and its call.

A record goes on for hours after the end of mixing, so that few end before the call.  Salt or
water that comes again before the call begins the time anew: nobody can foresee it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from daemon.mixing.stability.cells import (
    CELL_S,
    Cells,
    OpenCell,
    add_reading,
    close_cell,
    plausible,
)
from daemon.mixing.stability.detector import CELLS_BEFORE_ARMING, DWELL
from daemon.mixing.stability.evidence import Noise, examine
from daemon.mixing.stability.forecast import forecast
from daemon.mixing.stability.release_forecast import Watch, inputs
from tests.parts.weights import headless_weights
from tests.research.stability import training, weights_export
from tests.research.stability.batch_kinds import draw, rows
from tests.research.stability.evaluation import Job
from tests.research.stability.feature_records import (
    Record,
    cells_of,
    features_along,
    with_pump_input,
)
from tests.research.stability.probe_model import Trace, observed
from tests.research.stability.tank_model import integrate
from tests.research.stability.trainable_network import CALL, ODDS, Network, forward

Floats = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]

LONGER_S = 9000.0
"""A record goes on at least so long after the end of mixing."""

LONGEST_S = 18000.0
"""So long after the arming it ends."""

_TOGETHER = 120
_OF_LIKE_LENGTH = 40
_PUMP_SHARE = 0.2
_LATER_SHARE = 0.2


@dataclass(frozen=True, slots=True)
class Decision:
    """The minutes of one decision up to its call.

    Attributes:
        kind: Of the batch.
        seed: Of the batch.
        began_s: When salt or water came, as far as the minutes go.
        call_s: When the call came; NaN when none did within the record.
        end_s: When the record ended.
        t_s: When each forecast falls.
        inputs: What the head is given, a row a forecast.
        level: Salinity at each.
        final: Where salinity really goes, as known at the call or at the end.
        speaks: Whether no interlock blocked a call, the time just after the arming apart.
    """

    kind: str
    seed: int
    began_s: float
    call_s: float
    end_s: float
    t_s: Floats
    inputs: Singles
    level: Floats
    final: float


def long_traces(todo: list[Job]) -> list[Trace]:
    """Return traces of the first generator that go on for hours after the end of mixing."""
    rngs = [np.random.default_rng(seed) for _, seed in todo]
    batches = [draw(kind, rng) for (kind, _), rng in zip(todo, rngs, strict=True)]
    batches = [each | {"tail_s": max(each["tail_s"], LONGER_S)} for each in batches]
    truth = integrate(rows(batches))
    return [
        observed(kind, seed, batch, rng, truth, k)
        for k, ((kind, seed), batch, rng) in enumerate(zip(todo, batches, rngs, strict=True))
    ]


def decisions(todo: list[Job]) -> list[Decision]:
    """Return the decisions of batches of the first generator."""
    out = []
    for low in range(0, len(todo), _TOGETHER):
        out += decisions_of(long_traces(todo[low : low + _TOGETHER]))
    return out


@dataclass(frozen=True, slots=True)
class _Begun:
    """A decision as it begins: its features, and the cell it was armed at."""

    trace: Trace
    record: Record
    armed_index: int
    pumped: bool


def decisions_of(traces: list[Trace]) -> list[Decision]:
    """Return the decisions of traces."""
    net = weights_export.network_of(headless_weights())
    begun = sorted(
        (each for trace in traces for each in _begun(trace)), key=lambda each: len(each.record.t_s)
    )
    out = []
    for low in range(0, len(begun), _OF_LIKE_LENGTH):
        some = begun[low : low + _OF_LIKE_LENGTH]
        for each, (scores, units) in zip(some, _run(net, some), strict=True):
            found = _decision(each, scores, units)
            if found is not None:
                out.append(found)
    return out


def _begun(trace: Trace) -> Iterator[_Begun]:
    """Yield the decisions of a trace: from the salt on, of some from later, or from more salt."""
    rng = np.random.default_rng(trace.seed)
    cells, armed = cells_of(trace, math.inf, LONGEST_S)
    if armed >= len(cells.index) - DWELL:
        return
    at = [armed]
    if rng.random() < _LATER_SHARE:
        at.append(armed + int(rng.uniform(4.0, 60.0)))
    if trace.added_s == trace.added_s:
        noticed = (trace.added_s + rng.uniform(60.0, 240.0)) / CELL_S
        at.append(int(np.searchsorted(np.array(cells.index), noticed)))
    for k in at:
        if k >= len(cells.index) - DWELL:
            continue
        begin = max(0, k - CELLS_BEFORE_ARMING)
        record = features_along(trace, cells, begin, k)
        pumped = bool(rng.random() < _PUMP_SHARE)
        yield _Begun(trace, with_pump_input(record) if pumped else record, cells.index[k], pumped)


def _run(net: Network, some: list[_Begun]) -> Iterator[tuple[Singles, Singles]]:
    """Yield the scores and the units of all layers (time, layer and unit) of each record."""
    longest = max(len(each.record.features) for each in some)
    x = np.zeros((longest, len(some), some[0].record.features.shape[1]), np.float32)
    for j, each in enumerate(some):
        x[: len(each.record.features), j] = each.record.features
    scores, passed = forward(net, x)
    for j, each in enumerate(some):
        n = len(each.record.features)
        units = np.concatenate([layer.units[1 : n + 1, j] for layer in passed.layers], axis=1)
        yield scores[:n, j], units


def _decision(begun: _Begun, scores: Singles, units: Singles) -> Decision | None:
    trace, record = begun.trace, begun.record
    calls = training.calls(record, scores[:, CALL].astype(np.float64), headless_weights().limit)
    call_s = calls[0] if calls else math.nan
    end_s = float(record.t_s[-1])
    last_s = call_s if calls else end_s
    began_s = begun.armed_index * CELL_S
    if trace.added_s < last_s and trace.added_s > began_s:
        began_s = trace.added_s
    final = float(trace.final[min(int(np.searchsorted(trace.t_s, last_s)), len(trace.t_s) - 1)])
    free = _in_a_row(record.blocked)
    row_of = {int(t_s / CELL_S): k for k, t_s in enumerate(record.t_s.tolist())}
    noise, kept, levels, at = Noise(), [], [], []
    for cells, t_s in _closing(trace, last_s):
        index = cells.index[-1]
        row = row_of.get(int(t_s / CELL_S))
        if index < begun.armed_index or index % 2 != 1 or row is None:
            continue
        evidence = examine(cells, noise)
        if evidence is None or t_s < began_s:
            continue
        watch = Watch(
            float(scores[row, ODDS]), float(scores[row, CALL]), int(min(free[row], DWELL)),
            ((index + 1) * CELL_S - max(trace.arm_s, begun.armed_index * CELL_S)) / 60.0,
            _pump_of(begun, row), drifted=False,
        )  # fmt: skip
        models = forecast(evidence.outlook)
        kept.append(inputs(watch, [units[row].tolist()], cells, evidence, models))
        levels.append(evidence.level)
        at.append(t_s)
    if not kept:
        return None
    return Decision(
        trace.kind, trace.seed, began_s, call_s, end_s, np.array(at),
        np.array(kept, np.float32), np.array(levels), final,
    )  # fmt: skip


def _pump_of(begun: _Begun, row: int) -> int:
    """Return what a pump input says, if there is one: 1 on for 5 min, -1 not, 0 nothing."""
    if not begun.pumped:
        return 0
    return 1 if begun.record.pump_runs[row] else -1


def _in_a_row(blocked: npt.NDArray[np.bool_]) -> npt.NDArray[np.int64]:
    """Return how many of the newest half minutes in a row were not blocked."""
    at = np.arange(len(blocked))
    last = np.maximum.accumulate(np.where(blocked, at, -1))
    return np.asarray(at - last)


def _closing(trace: Trace, until_s: float) -> Iterator[tuple[Cells, float]]:
    """Yield the cells as each closes, with the time of the reading that closes it."""
    cells, cell = Cells(), OpenCell()
    there = np.isfinite(trace.conductivity)
    index = np.floor(trace.t_s / CELL_S).astype(int)
    edges = np.flatnonzero(np.diff(index)) + 1
    conductivity, temperature = trace.conductivity.tolist(), trace.temperature.tolist()
    cell.index = int(index[0])
    for low, high in zip([0, *edges.tolist()], edges.tolist(), strict=False):
        if trace.t_s[high] >= until_s:
            return
        for k in range(low, high):
            if there[k] and plausible(conductivity[k], temperature[k]):
                add_reading(cell, 0.0, conductivity[k], temperature[k])
        if close_cell(cells, cell, int(index[high])):
            yield cells, float(trace.t_s[high])
