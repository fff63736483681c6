"""What the score is taught: at which moments of a record it is asked, and what is right there.

A moment at which a call is out of the question anyhow is not asked about, nor
are the first minutes after salt or water came, which the probe has not seen yet.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tests.benchmarks.stability.figures import Flags, Record

Floats = npt.NDArray[np.float32]

CAUTION = 3.0
"""How many times heavier a moment weighs at which mixing is not over."""

UNSEEN_S = 300.0
"""For so long after salt or water came nothing is asked: the probe has not seen it yet."""


@dataclass(frozen=True, slots=True)
class Lesson:
    """One record, and what is right at each of its moments.

    Attributes:
        table: Figures, a row a half minute.
        right: 1 where mixing is over.
        weight: What each moment weighs; nothing where it is not asked about.
    """

    table: Floats
    right: Floats
    weight: Floats


def asked(found: Record) -> Flags:
    """Return at which moments of a record the score is asked."""
    out = ~found.shut
    for undone in (np.flatnonzero(found.over[:-1] & ~found.over[1:]) + 1).tolist():
        out[undone : int(np.searchsorted(found.t_s, found.t_s[undone] + UNSEEN_S))] = False
    return out


def lesson(found: Record) -> Lesson | None:
    """Return the lesson of a record; None where nothing is asked."""
    weight = asked(found) * np.where(found.over, 1.0, CAUTION)
    if not weight.any():
        return None
    return Lesson(found.table, found.over.astype(np.float32), weight.astype(np.float32))


def lessons(found: list[Record]) -> list[Lesson]:
    """Return the lessons of records, shortest first, so that handfuls are of one length."""
    taught = [each for each in map(lesson, found) if each is not None]
    return sorted(taught, key=lambda each: len(each.table))
