"""The features along traces of the training families, as the training of the network reads them."""

from __future__ import annotations

import numpy as np

from tests.research.stability.families.traces import Job, trace
from tests.research.stability.feature_records import Record, records_of


def records(todo: list[Job], longest_s: float) -> list[Record]:
    """Return the features along each trace, for so long after the arming.

    Args:
        todo: Of `traces.jobs`.
        longest_s: No record goes on for longer after the arming, seconds.
    """
    return [
        record
        for job in todo
        for record in records_of(trace(*job), np.random.default_rng(job[-1]), longest_s)
    ]
