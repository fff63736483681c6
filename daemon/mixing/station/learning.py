"""What a released batch teaches: how long mixing takes, and what a lot yields."""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.mixing.batch import lots, schedule
from daemon.mixing.events import AdviceGiven, Happening, SaltContentLearned

if TYPE_CHECKING:
    from daemon.mixing.batch.lots import Lot
    from daemon.mixing.batch.schedule import MixingTimes
    from daemon.mixing.batch.state import BatchState


def released(
    state: BatchState, times: MixingTimes, known: dict[str, Lot], t_s: float
) -> list[Happening]:
    """Learn from a batch at the moment of its first release.

    One that was corrected before teaches by the salinity at which it stood until then.

    A second one, as of a stale batch, teaches nothing: that it took long says
    nothing of mixing, and by then some of its water may be gone.

    Args:
        state: Of the batch; counts as learned from afterwards.
        times: Mixing times of its reservoir; changed in place.
        known: Lots by name; changed in place.
        t_s: Monotonic time, s.
    """
    since_s, state.salted_since_s = state.salted_since_s, None
    if since_s is None:
        return []
    if t_s > since_s:
        schedule.learn(times, (t_s - since_s) / 60.0)
    told = state.told
    if told is None or told.lot not in known:
        return []
    stood_at, stood_u = told.stood_at, told.stood_u
    if told.teaches:
        stood_at, stood_u = state.called, state.called_u
    if stood_at is None or stood_u is None:
        return []
    lot = known[told.lot]
    try:
        shown = lots.weighed(
            t_s,
            state.id,
            told.mass_g,
            told.volume_l,
            stood_at,
            stood_u,
            told.before,
        )
    except ValueError as exc:
        return [Happening(AdviceGiven(f"lot {lot.name} learns nothing from this batch: {exc}"))]
    lots.learn(lot, shown)
    found = lots.estimate(lot, t_s)
    learned = SaltContentLearned(
        lot.name, round(found.value, 4), round(found.u, 4), batches=found.count
    )
    return [Happening(learned)]
