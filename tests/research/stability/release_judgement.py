"""How good forecasts of the release are: those of each minute against the call that came.

Share is the share of the time between salt (or the last addition before the call) and the call
that had passed.  Each batch weighs alike in a row, however many of its minutes fall there.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from daemon.mixing.stability.detector import ForecastBasis, Stabilised, Stability
from daemon.mixing.stability.release_forecast import Forecast, release_forecast
from daemon.mixing.stability.release_head import ReleaseHead
from tests.parts.weights import weights
from tests.research.stability import second_generator
from tests.research.stability.detector_run import detector_times_s, readings
from tests.research.stability.evaluation import Job
from tests.research.stability.probe_model import Trace
from tests.research.stability.release_records import LONGER_S, long_traces

Floats = npt.NDArray[np.float64]

EDGES = (0.0, 0.25, 0.4, 0.6, 0.75, 0.9, 1.0)
"""Of the bins of elapsed share."""

MARKS = (0.25, 0.5, 0.75)
"""Shares at which the error of the middle is stated."""

_NEAREST_MIN = 1.1
_TOGETHER = 40


@dataclass(frozen=True, slots=True)
class ForecastRun:
    """What was forecast of a batch until its call, and what came.

    Attributes:
        kind: Of the batch.
        began_s: When salt came, or more of it or water, the last time before the call.
        call_s: When the call came; NaN where none did within the record.
        end_s: When the record ended.
        final: Where salinity really went, as known at the call or the end.
        t_s: When each forecast was made.
        forecasts: The forecasts.
    """

    kind: str
    began_s: float
    call_s: float
    end_s: float
    final: float
    t_s: list[float]
    forecasts: list[Forecast]


def forecast_run(trace: Trace, head: ReleaseHead) -> ForecastRun:
    """Run the detector over a trace until its first call, armed when salt arrives."""
    detector, armed, call_s = Stability(), False, math.nan
    t_s, forecasts = list[float](), list[Forecast]()
    rows = zip(trace.t_s.tolist(), detector_times_s(trace), readings(trace), strict=True)
    for at_s, own_s, reading in rows:
        if not armed and at_s >= trace.arm_s:
            detector.arm(own_s)
            armed = True
        for found in detector.advance(own_s, reading, weights()):
            if isinstance(found, ForecastBasis):
                t_s.append(at_s)
                forecasts.append(release_forecast(head, found))
            elif isinstance(found, Stabilised):
                call_s = at_s
        if not math.isnan(call_s):
            break
    last_s = float(trace.t_s[-1]) if math.isnan(call_s) else call_s
    began_s = trace.added_s if trace.arm_s < trace.added_s < last_s else trace.arm_s
    at = min(int(np.searchsorted(trace.t_s, last_s)), len(trace.t_s) - 1)
    kept = [k for k, each in enumerate(t_s) if began_s <= each < last_s]
    return ForecastRun(
        trace.kind, began_s, call_s, float(trace.t_s[-1]), float(trace.final[at]),
        [t_s[k] for k in kept], [forecasts[k] for k in kept],
    )  # fmt: skip


def first_runs(todo: list[Job], head: ReleaseHead) -> list[ForecastRun]:
    """Return the runs of batches of the first generator, whose records go on for hours."""
    return [
        forecast_run(trace, head)
        for low in range(0, len(todo), _TOGETHER)
        for trace in long_traces(todo[low : low + _TOGETHER])
    ]


def second_runs(todo: list[Job], head: ReleaseHead) -> list[ForecastRun]:
    """Return those of the second."""
    return [
        forecast_run(second_generator.trace(kind, seed, longer_s=LONGER_S), head)
        for kind, seed in todo
    ]


@dataclass(frozen=True, slots=True)
class Share:
    """The minutes of a batch in one bin of elapsed share.

    Attributes:
        said: Share of them with a forecast.
        inside: Share of those whose interval held the call; NaN where there are none.
        before: Share of those where the call came before the interval.
        width_min: Median width of the interval.
        final_said: Share of the minutes with a final salinity.
        final_inside: Share of those whose interval held it.
        final_off: Median absolute error of it.
        final_width: Median width of its interval.
    """

    said: float
    inside: float
    before: float
    width_min: float
    final_said: float
    final_inside: float
    final_off: float
    final_width: float


def share_of(run: ForecastRun, low: float, high: float) -> Share | None:
    """Return how the minutes of a called batch in a bin do; None where there are none."""
    whole_s = run.call_s - run.began_s
    chosen = [
        (each, (run.call_s - t_s) / 60.0)
        for t_s, each in zip(run.t_s, run.forecasts, strict=True)
        if low <= (t_s - run.began_s) / whole_s < high
    ]
    if not chosen:
        return None
    said = [(each.ready_min, left) for each, left in chosen if each.ready_min is not None]
    finals = [each.final for each, _ in chosen if each.final is not None]
    return Share(
        len(said) / len(chosen),
        _mean([span.low <= left <= span.high for span, left in said]),
        _mean([left < span.low for span, left in said]),
        _median([span.high - span.low for span, _ in said]),
        len(finals) / len(chosen),
        _mean([span.low <= run.final <= span.high for span in finals]),
        _median([abs(span.middle - run.final) for span in finals]),
        _median([span.high - span.low for span in finals]),
    )


def errors_at(runs: list[ForecastRun], mark: float) -> list[float]:
    """Return by how much, minutes, the middles at a share of the time were off, where there are."""
    out = []
    for run in runs:
        at_s = run.began_s + mark * (run.call_s - run.began_s)
        near = [
            (abs(t_s - at_s), abs(each.ready_min.middle - (run.call_s - t_s) / 60.0))
            for t_s, each in zip(run.t_s, run.forecasts, strict=True)
            if each.ready_min is not None and abs(t_s - at_s) <= _NEAREST_MIN * 60.0
        ]
        out += [min(near)[1]] if near else []
    return out


def by_share(runs: list[ForecastRun]) -> str:
    """Return a Markdown table of the called batches, a row a bin of elapsed share."""
    lines = [
        "| time gone | batches | said | held | early | width | final said | held | off | width |",
        "|---|---|---|---|---|---|---|---|---|---|",
    ]
    called = [run for run in runs if not math.isnan(run.call_s)]
    for low, high in (*pairwise(EDGES), (0.0, 1.0)):
        found = [each for run in called if (each := share_of(run, low, high)) is not None]
        cells = (
            f"{100 * low:.0f} to {100 * high:.0f} %", str(len(found)),
            _percent(found, lambda each: each.said), _percent(found, lambda each: each.inside),
            _percent(found, lambda each: each.before),
            f"{_median([each.width_min for each in found]):.0f}",
            _percent(found, lambda each: each.final_said),
            _percent(found, lambda each: each.final_inside),
            f"{_median([each.final_off for each in found]):.3f}",
            f"{_median([each.final_width for each in found]):.2f}",
        )  # fmt: skip
        lines.append(f"| {' | '.join(cells)} |")
    return "\n".join(lines)


def by_kind(runs: list[ForecastRun]) -> str:
    """Return a Markdown table of the called batches, a row a kind."""
    lines = [
        "| kind | called | median error at half way, min | held by the interval |",
        "|---|---|---|---|",
    ]
    for kind in dict.fromkeys(run.kind for run in runs):
        own = [run for run in runs if run.kind == kind and not math.isnan(run.call_s)]
        found = [each for run in own if (each := share_of(run, 0.0, 1.0)) is not None]
        off = errors_at(own, 0.5)
        shown = f"{_median(off):.1f} of {len(off)}" if off else "none"
        held = _percent(found, lambda each: each.inside)
        lines.append(f"| {kind} | {len(own)} | {shown} | {held} |")
    return "\n".join(lines)


def summary(runs: list[ForecastRun]) -> str:
    """Return sentences: errors at shares of the time, how early it speaks, batches never called."""
    called = [run for run in runs if not math.isnan(run.call_s)]
    first = [(min(spoke) - run.began_s) / 60.0 for run in called if (spoke := list(_spoke(run)))]
    errors = {mark: errors_at(called, mark) for mark in MARKS}
    never = [run for run in runs if math.isnan(run.call_s) and run.t_s]
    said = [len(list(_spoke(run))) / len(run.t_s) for run in never]
    lines = [f"{len(called)} of {len(runs)} batches were called."]
    for mark, off in errors.items():
        lines.append(
            f"At {100 * mark:.0f} % of the time {len(off)} had a forecast; median error "
            f"{_median(off):.1f} min, 90 % within {_quantile(off, 0.9):.0f} min."
        )
    lines.append(
        f"{len(first)} had a forecast before the call, the first {_median(first):.1f} min "
        f"after the salt in the median (90 % within {_quantile(first, 0.9):.0f} min)."
    )
    lines.append(
        f"{len(never)} were never called; {100 * _mean(said):.0f} % of their minutes had a "
        "forecast all the same."
    )
    return "\n".join(lines)


def _spoke(run: ForecastRun) -> Iterator[float]:
    """Yield when there was a forecast."""
    for t_s, each in zip(run.t_s, run.forecasts, strict=True):
        if each.ready_min is not None:
            yield t_s


def _percent(found: list[Share], part: Callable[[Share], float]) -> str:
    values = [part(each) for each in found if not math.isnan(part(each))]
    return f"{100 * _mean(values):.1f} %" if values else "none"


def _mean(values: list[float] | list[bool]) -> float:
    return float(np.mean(values)) if values else math.nan


def _median(values: list[float]) -> float:
    return _quantile(values, 0.5)


def _quantile(values: list[float], share: float) -> float:
    known = [each for each in values if not math.isnan(each)]
    return float(np.quantile(known, share)) if known else math.nan
