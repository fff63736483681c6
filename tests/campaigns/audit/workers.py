"""Many cases on several processors, each from a number of its own."""

from __future__ import annotations

import multiprocessing
from collections.abc import Callable
from typing import TypeVar

Case = TypeVar("Case")


def each(work: Callable[[int], Case], count: int, workers: int = 1) -> list[Case]:
    """Return the outcome of each case, in order.

    Args:
        work: Makes the case of one number; must be able to be sent to another process.
        count: How many.
        workers: How many processes; 1 for this one alone.
    """
    if workers <= 1:
        return [work(number) for number in range(count)]
    with multiprocessing.get_context("spawn").Pool(workers) as pool:
        return list(pool.imap(work, range(count), chunksize=4))
