"""What the score is taught: at which moments of a record it is asked, and what is right there.

A moment at which a call is out of the question anyhow is not asked about, nor
are the first minutes after salt or water came, which the probe has not seen yet.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from daemon.mixing.stability.detector import DWELL
from tests.research.stability.figures import Flags, Record

Floats = npt.NDArray[np.float32]

CAUTION = 3.0
"""How many times heavier a moment weighs at which mixing is not over."""

UNSEEN_S = 300.0
"""For so long after salt or water came nothing is asked: the probe has not seen it yet."""

WRONG_MIN = 300.0
"""A wrong call costs as much as so many minutes of needless waiting."""


@dataclass(frozen=True, slots=True)
class Lesson:
    """One record, and what is right at each of its moments.

    Attributes:
        table: Figures, a row a half minute.
        right: 1 where mixing is over.
        weight: What each moment weighs; nothing where it is not asked about.
        free: 1 where a call can be made.
        cost: Of calling then: 1 of a wrong call, of a right one the wait before it.
        last: 1 where a decision ends: before salt or water came anew, and in the end.
        silence: What it costs not to have called by then; nothing but where `last`.
    """

    table: Floats
    right: Floats
    weight: Floats
    free: Floats
    cost: Floats
    last: Floats
    silence: Floats


def asked(found: Record) -> Flags:
    """Return at which moments of a record the score is asked."""
    out = ~found.shut
    for undone in undoings(found):
        out[undone : int(np.searchsorted(found.t_s, found.t_s[undone] + UNSEEN_S))] = False
    return out


def undoings(found: Record) -> list[int]:
    """Return the moments from which mixing that was over no longer is."""
    each: list[int] = (np.flatnonzero(found.over[:-1] & ~found.over[1:]) + 1).tolist()
    return each


def unbroken(closed: Flags) -> Flags:
    """Return where the newest `DWELL` decisions were all free of vetoes."""
    run = np.zeros(len(closed), int)
    last = 0
    for k, shut in enumerate(closed.tolist()):
        last = 0 if shut else last + 1
        run[k] = last
    return run >= DWELL


def lesson(found: Record) -> Lesson | None:
    """Return the lesson of a record; None where nothing is asked."""
    weight = asked(found) * np.where(found.over, 1.0, CAUTION)
    if not weight.any():
        return None
    begun = found.over & ~np.concatenate([[False], found.over[:-1]])
    since_s = found.t_s - np.maximum.accumulate(np.where(begun, found.t_s, -np.inf))
    wait = np.where(found.over, since_s, 0.0) / (60.0 * WRONG_MIN)
    last = np.zeros(len(wait))
    last[[each - 1 for each in undoings(found)] + [-1]] = 1.0
    rows = (
        found.over, weight, unbroken(found.shut) & ~found.held & asked(found),
        np.where(found.over, wait, 1.0), last, last * wait,
    )  # fmt: skip
    return Lesson(found.table, *(row.astype(np.float32) for row in rows))


def lessons(found: list[Record]) -> list[Lesson]:
    """Return the lessons of records, shortest first, so that handfuls are of one length."""
    taught = [each for each in map(lesson, found) if each is not None]
    return sorted(taught, key=lambda each: len(each.table))
