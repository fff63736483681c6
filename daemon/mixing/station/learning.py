"""Learning from a released batch: mixing time, and the salt content of its lot."""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.mixing.batch import due_times, lots
from daemon.mixing.events import AdviceGiven, Happening, SaltContentLearned

if TYPE_CHECKING:
    from daemon.mixing.batch.batch_state import BatchState
    from daemon.mixing.batch.due_times import MixingTimes
    from daemon.mixing.batch.lots import Lot


def released(
    state: BatchState, times: MixingTimes, lots_by_name: dict[str, Lot], t_s: float
) -> list[Happening]:
    """Learn from a batch at the moment of its first release.

    A corrected batch teaches by its steady salinity before the correction.  A later release, as
    of a stale batch, teaches nothing: its time is not mixing time, and some water may be gone.

    Args:
        state: Of the batch; counts as learned from afterwards.
        times: Mixing times of its reservoir; changed in place.
        lots_by_name: Lots by name; changed in place.
        t_s: Monotonic time, s.
    """
    since_s, state.dissolving_since_s = state.dissolving_since_s, None
    if since_s is None:
        return []
    if t_s > since_s:
        due_times.learn(times, (t_s - since_s) / 60.0)
    salt = state.salt
    if salt is None or salt.lot not in lots_by_name:
        return []
    salinity, salinity_u = salt.steady_salinity, salt.steady_u
    if salt.undisturbed:
        salinity, salinity_u = state.judgement.salinity, state.judgement.salinity_u
    if salinity is None or salinity_u is None:
        return []
    lot = lots_by_name[salt.lot]
    try:
        weighing = lots.weighed(
            t_s,
            state.id,
            salt.mass_g,
            salt.volume_l,
            salinity,
            salinity_u,
            salt.initial_salinity,
        )
    except ValueError as exc:
        return [Happening(AdviceGiven(f"lot {lot.name} learns nothing from this batch: {exc}"))]
    lots.learn(lot, weighing)
    estimate = lots.estimate(lot, t_s)
    learned = SaltContentLearned(
        lot.name, round(estimate.value, 4), round(estimate.u, 4), batches=estimate.count
    )
    return [Happening(learned)]
