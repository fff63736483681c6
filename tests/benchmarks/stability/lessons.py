"""What the score is taught on: stretches of records, and what calling at each moment costs.

A stretch ends where mixing that was over is over no more, because salt or water
came.  A call before mixing is over costs as much as a long delay; one after it
costs its delay; none at all costs as much as a very late one, if one was due.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from daemon.mixing.stability import DWELL
from tests.benchmarks.stability.figures import Record

Floats = npt.NDArray[np.float32]

WRONG_COSTS_MIN = 300.0
"""Delay that is as bad as a wrong call, minutes."""

STILL_WEIGHS = 1.5
"""How many times worse a wrong call is while the pump stands, or has but just started."""

MISSED_COSTS_MIN = 50.0
"""Delay that is as bad as a call that never came."""

LATEST_MIN = 40.0
"""Later than this is no worse."""

DUE_MIN = 25.0
"""A stretch that goes on so long after the end of mixing is due a call."""

UNSEEN_S = 300.0
"""After salt or water came the next stretch begins so much later: the probe has not seen it yet."""


@dataclass(frozen=True, slots=True)
class Lessons:
    """All stretches, one behind the other.

    Attributes:
        table: Figures, a row a moment at which no veto stands.
        right: 1 where mixing is over.
        cost: What a call then costs, minutes.
        may_call: Whether as many decisions as a call needs have passed without a veto.
        begins: Row at which each stretch begins, and the end of the last.
        end_cost: What no call costs, a stretch.
    """

    table: Floats
    right: Floats
    cost: Floats
    may_call: npt.NDArray[np.bool_]
    begins: npt.NDArray[np.int64]
    end_cost: Floats


def stretches(found: Record) -> list[tuple[int, int]]:
    """Return first and last but one row of each stretch of a record."""
    ends = (np.flatnonzero(found.over[:-1] & ~found.over[1:]) + 1).tolist()
    out, low = [], 0
    for high in [*ends, len(found.over)]:
        if high - low >= DWELL:
            out.append((low, high))
        low = int(np.searchsorted(found.t_s, found.t_s[min(high, len(found.t_s) - 1)] + UNSEEN_S))
    return out


def unbroken(closed: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Return where the newest `DWELL` decisions were all free of vetoes."""
    run = np.zeros(len(closed), int)
    last = 0
    for k, shut in enumerate(closed.tolist()):
        last = 0 if shut else last + 1
        run[k] = last
    return run >= DWELL


def costs(found: Record, low: int, high: int) -> tuple[npt.NDArray[np.float64], float]:
    """Return what a call at each moment of a stretch costs, and what none costs."""
    over, minutes = found.over[low:high], found.t_s[low:high] / 60.0
    cost = WRONG_COSTS_MIN * np.where(found.known[low:high], 1.0, STILL_WEIGHS)
    if not over.any():
        return cost, 0.0
    since = minutes - minutes[int(np.argmax(over))]
    cost[over] = np.minimum(since, LATEST_MIN)[over]
    due = since[-1] >= DUE_MIN
    return cost, MISSED_COSTS_MIN if due else float(min(since[-1], LATEST_MIN))


def lessons(found: list[Record], closed: list[npt.NDArray[np.bool_]]) -> Lessons:
    """Return the lessons of records; `closed` tells where a veto stands."""
    table, right, cost, may_call, end_cost, begins = [], [], [], [], [], [0]
    for each, shut in zip(found, closed, strict=True):
        free = unbroken(shut)
        for low, high in stretches(each):
            kept = np.flatnonzero(~shut[low:high])
            if len(kept) == 0:
                continue
            stretch_cost, none_costs = costs(each, low, high)
            table.append(each.table[low:high][kept])
            right.append(each.over[low:high][kept])
            cost.append(stretch_cost[kept])
            may_call.append(free[low:high][kept] & (kept >= DWELL - 1))
            end_cost.append(none_costs)
            begins.append(begins[-1] + len(kept))
    return Lessons(
        np.concatenate(table),
        np.concatenate(right).astype(np.float32),
        np.concatenate(cost).astype(np.float32),
        np.concatenate(may_call),
        np.array(begins),
        np.array(end_cost, np.float32),
    )
