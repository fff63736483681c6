"""The expected cost of calling too early, too late or never, and its gradient in the score.

A call is taken to come at each free moment by a chance, the logistic of the
score, if it did not come before.  The cost expected of a decision is then a
smooth function of the scores, and its gradient is exact.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Singles = npt.NDArray[np.float32]


def expected_cost(
    score: Singles, free: Singles, cost: Singles, last: Singles, no_call: Singles
) -> tuple[Singles, Singles]:
    """Return the cost expected of each record, and its gradient in the scores.

    Args:
        score: Whether to call (time, record).
        free: As in an example (time, record), nothing beyond the end of a record.
        cost: Likewise.
        last: Likewise.
        no_call: Likewise.
    """
    chance = free / (1.0 + np.exp(-np.clip(score, -30.0, 30.0)))
    steps, count = score.shape
    uncalled = np.ones((steps + 1, count), np.float32)
    for t in range(steps):
        uncalled[t + 1] = np.where(last[t] > 0.0, 1.0, uncalled[t] * (1.0 - chance[t]))
    pull = np.zeros_like(score)
    total, ahead = np.zeros(count, np.float32), np.zeros(count, np.float32)
    for t in range(steps - 1, -1, -1):
        ends = last[t] > 0.0
        total += np.where(ends, ahead, 0.0)
        ahead = np.where(ends, no_call[t], ahead)
        pull[t] = uncalled[t] * (cost[t] - ahead) * chance[t] * (1.0 - chance[t])
        ahead = chance[t] * cost[t] + (1.0 - chance[t]) * ahead
    return np.asarray(total + ahead, np.float32), pull
