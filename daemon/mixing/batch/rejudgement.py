"""Judge water again that was released, refused or has expired: by what it reads now.

Nothing steps in between where salinity drifts slowly, by evaporation, a leak or a probe that fouls.
So the water is judged each minute, by two looks: the last minutes, and the median of a longer time
that outlasts bubbles.  Only where both say the same does the batch move:

- released water is refused once both prove it outside the limits, and is undecided once both lie
  beyond a limit without that proof;
- refused water is undecided again once both lie inside the limits by a deadband;
- expired water is refused once both prove it outside.

Release needs proof of the inside, so that these steps do not alternate with it.
"""

from __future__ import annotations

from statistics import median
from typing import TYPE_CHECKING

from daemon.entries import Phase
from daemon.mixing.batch import release
from daemon.mixing.seawater.conformance import accept, conformance_probability

if TYPE_CHECKING:
    from daemon.mixing.batch.batch_state import BatchSettings, BatchState
    from daemon.mixing.events import Happening

MINUTES_KEPT = 20
FEWEST_MINUTES = 10
"""So many values of a minute make a longer look: more than a bubble sticks, our own choice."""
DEADBAND_PPT, DEADBAND_SHARE = 0.1, 0.25
"""How far inside refused water must read again, ppt: this, or a share of the tolerance if less.

Both are our own choice.
"""


def judge_again(state: BatchState, t_s: float, settings: BatchSettings) -> list[Happening]:
    """Judge steady water by its present salinity, in whichever phase it is.

    Args:
        state: Changed in place; its `judgement` holds present salinity and uncertainty.
        t_s: Monotonic time, s.
        settings: What the batch has to be.
    """
    judgement = state.judgement
    if judgement.salinity is None or judgement.salinity_u is None:
        return []
    if state.phase is Phase.VERIFYING:
        return release.judge(state, t_s, settings)
    judgement.judged_s = t_s
    low, high, u = settings.low_ppt, settings.high_ppt, judgement.salinity_u
    judgement.probability = conformance_probability(judgement.salinity, u, low, high)
    if state.phase is Phase.OFF_TARGET:
        return _of_refused(state, t_s, settings)
    looks = _looks(state)
    beyond_one_limit = bool(looks) and (max(looks) < low or min(looks) > high)
    if not beyond_one_limit:
        return []
    if all(accept(each, u, low, high, settings.release_confidence) == "outside" for each in looks):
        return release.refuse(state, settings)
    return release.withdraw(state, settings) if state.phase is Phase.READY else []


def _of_refused(state: BatchState, t_s: float, settings: BatchSettings) -> list[Happening]:
    inside = min(DEADBAND_PPT, DEADBAND_SHARE * settings.tolerance_ppt)
    looks = _looks(state)
    if (
        looks
        and settings.low_ppt + inside <= min(looks) <= max(looks) <= settings.high_ppt - inside
    ):
        return release.reopen(state, t_s, settings)
    return release.refuse(state, settings)


def _looks(state: BatchState) -> list[float]:
    """Return the present salinity and that of a longer time; empty before there is one."""
    judgement = state.judgement
    if judgement.salinity is None or len(judgement.minutes) < FEWEST_MINUTES:
        return []
    return [judgement.salinity, median(judgement.minutes)]
