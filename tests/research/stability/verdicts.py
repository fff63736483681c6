"""Right, wrong, missed and late: how calls are judged."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Verdict:
    """How one detector did on one batch.

    Attributes:
        kind: Kind of batch.
        false: Whether any call was wrong.
        missed: Whether no right call came though 30 min followed; None when not due.
        delay_min: Minutes from the true end of mixing to the first right call; None when
            there was none.
        off: How far the salinity called was from its final value at the first wrong call;
            None when there was none, or nobody asked.
    """

    kind: str
    false: bool
    missed: bool | None
    delay_min: float | None
    off: float | None = None


@dataclass(frozen=True, slots=True)
class Tally:
    """The verdicts of many batches.

    Attributes:
        batches: How many.
        false: Share with a wrong call.
        missed: Share of those due that got no right call.
        median_min: Median delay, a missed batch counting as infinite.
        late_min: The delay that 90 % stay within, likewise.
    """

    batches: int
    false: float
    missed: float
    median_min: float
    late_min: float


def judge(
    kind: str, calls_s: list[float], t_s: Floats, over: npt.NDArray[np.bool_], over_s: float
) -> Verdict:
    """Judge the times of calls against the truth on a grid of times."""
    right: list[float] = []
    false = False
    for call_s in calls_s:
        at = min(int(np.searchsorted(t_s, call_s)), len(t_s) - 1)
        if not over[at]:
            false = True
            continue
        wrong = np.flatnonzero(~over[:at])
        since = float(t_s[wrong[-1] + 1]) if len(wrong) else float(t_s[0])
        right.append((call_s - since) / 60.0)
    due = not np.isnan(over_s)
    missed = not right if due and not false else (False if due else None)
    return Verdict(kind, false, missed, right[0] if right and due else None)


def tally(verdicts: list[Verdict]) -> Tally:
    """Return the shares and delays of verdicts."""
    due = [v for v in verdicts if v.missed is not None]
    delays = [np.inf for v in due if v.missed]
    delays += [v.delay_min for v in due if not v.missed and v.delay_min is not None]
    median, late = _percentile(delays, 0.5), _percentile(delays, 0.9)
    return Tally(
        len(verdicts),
        float(np.mean([v.false for v in verdicts])),
        float(np.mean([bool(v.missed) for v in due])) if due else float("nan"),
        median,
        late,
    )


def _percentile(delays: list[float], share: float) -> float:
    """Return the delay that `share` of the batches stay within; infinite counts as such."""
    if not delays:
        return float("nan")
    ordered = sorted(delays)
    return float(ordered[min(len(ordered) - 1, int(share * len(ordered)))])
