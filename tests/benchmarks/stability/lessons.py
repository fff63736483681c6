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
from tests.benchmarks.stability.figures import Flags, Record

Floats = npt.NDArray[np.float32]
Rows = npt.NDArray[np.int64]

WRONG_COSTS_MIN = 700.0
"""Delay that is as bad as a wrong call, minutes."""

STILL_WEIGHS = 1.5
"""How many times worse a wrong call is while the pump stands, or has but just started."""

MISSED_COSTS_MIN = 80.0
"""Delay that is as bad as a call that never came."""

LATEST_MIN = 60.0
"""Later than this is no worse."""

DUE_MIN = 25.0
"""A stretch that goes on so long after the end of mixing is due a call."""

UNSEEN_S = 300.0
"""After salt or water came the next stretch begins so much later: the probe has not seen it yet."""


@dataclass(frozen=True, slots=True)
class Lesson:
    """One record, and what calling in each of its stretches costs.

    Attributes:
        table: Figures, a row a half minute.
        step: Rows at which nothing forbids a call, those of one stretch behind another.
        right: 1 where mixing is over, a step.
        cost: What a call then costs, minutes, a step.
        may_call: Whether as many decisions as a call needs have passed, a step.
        begins: Where each stretch begins among the steps, and the end of the last.
        end_cost: What no call costs, a stretch.
    """

    table: Floats
    step: Rows
    right: Floats
    cost: Floats
    may_call: Flags
    begins: Rows
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


def unbroken(closed: Flags) -> Flags:
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


def lesson(found: Record) -> Lesson | None:
    """Return the lesson of a record; None where no call may ever come."""
    step, right, cost, may_call, end_cost, begins = [], [], [], [], [], [0]
    free = unbroken(found.shut)
    for low, high in stretches(found):
        kept = np.flatnonzero(~found.shut[low:high])
        if len(kept) == 0:
            continue
        stretch_cost, none_costs = costs(found, low, high)
        step.append(low + kept)
        right.append(found.over[low:high][kept])
        cost.append(stretch_cost[kept])
        may_call.append(free[low:high][kept] & (np.arange(len(kept)) >= DWELL - 1))
        end_cost.append(none_costs)
        begins.append(begins[-1] + len(kept))
    if not step:
        return None
    return Lesson(
        found.table,
        np.concatenate(step),
        np.concatenate(right).astype(np.float32),
        np.concatenate(cost).astype(np.float32),
        np.concatenate(may_call),
        np.array(begins),
        np.array(end_cost, np.float32),
    )


def lessons(found: list[Record]) -> list[Lesson]:
    """Return the lessons of records, shortest first, so that handfuls are of one length."""
    taught = [each for each in map(lesson, found) if each is not None]
    return sorted(taught, key=lambda each: len(each.table))
