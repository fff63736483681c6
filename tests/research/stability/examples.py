"""The examples of training: which moments of a record count, and what is right there.

A moment at which an interlock blocks every call does not count, nor do the first
minutes after salt or water came, which have not reached the probe yet.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from daemon.mixing.stability.detector import DWELL
from tests.research.stability.feature_records import Flags, Record

Floats = npt.NDArray[np.float32]

NOT_OVER_WEIGHT = 3.0
"""How many times heavier a moment weighs at which mixing is not over."""

BLIND_S = 300.0
"""For so long after salt or water came no moment counts: it has not reached the probe."""

WRONG_CALL_MIN = 300.0
"""A wrong call costs as much as so many minutes of needless waiting."""


@dataclass(frozen=True, slots=True)
class Example:
    """One record, and what is right at each of its moments.

    Attributes:
        features: A row a half minute.
        right: 1 where mixing is over.
        weight: What each moment weighs; nothing where it does not count.
        free: 1 where a call can be made.
        cost: Of calling then: 1 of a wrong call, of a right one the wait before it.
        last: 1 where a decision ends: before salt or water came again, and in the end.
        no_call: What it costs not to have called by then; nothing but where `last`.
    """

    features: Floats
    right: Floats
    weight: Floats
    free: Floats
    cost: Floats
    last: Floats
    no_call: Floats


def scored_moments(record: Record) -> Flags:
    """Return which moments of a record count."""
    out = ~record.blocked
    for restart in restarts(record):
        out[restart : int(np.searchsorted(record.t_s, record.t_s[restart] + BLIND_S))] = False
    return out


def restarts(record: Record) -> list[int]:
    """Return the moments from which mixing that was over no longer is."""
    each: list[int] = (np.flatnonzero(record.over[:-1] & ~record.over[1:]) + 1).tolist()
    return each


def dwelt(blocked: Flags) -> Flags:
    """Return where none of the newest `DWELL` decisions was blocked."""
    run = np.zeros(len(blocked), int)
    last = 0
    for k, closed in enumerate(blocked.tolist()):
        last = 0 if closed else last + 1
        run[k] = last
    return run >= DWELL


def example_of(record: Record) -> Example | None:
    """Return the example that a record makes; None where no moment counts."""
    weight = scored_moments(record) * np.where(record.over, 1.0, NOT_OVER_WEIGHT)
    if not weight.any():
        return None
    begun = record.over & ~np.concatenate([[False], record.over[:-1]])
    since_s = record.t_s - np.maximum.accumulate(np.where(begun, record.t_s, -np.inf))
    wait = np.where(record.over, since_s, 0.0) / (60.0 * WRONG_CALL_MIN)
    last = np.zeros(len(wait))
    last[[each - 1 for each in restarts(record)] + [-1]] = 1.0
    rows = (
        record.over, weight, dwelt(record.blocked) & ~record.waiting & scored_moments(record),
        np.where(record.over, wait, 1.0), last, last * wait,
    )  # fmt: skip
    return Example(record.features, *(row.astype(np.float32) for row in rows))


def examples_of(records: list[Record]) -> list[Example]:
    """Return the examples of records, shortest first, so that mini-batches are of one length."""
    examples = [each for each in map(example_of, records) if each is not None]
    return sorted(examples, key=lambda each: len(each.features))
