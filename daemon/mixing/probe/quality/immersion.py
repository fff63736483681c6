"""The test of immersion, our own: a probe lifted into air falls to nothing at once."""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.mixing.probe.quality.flags import FAIL, PASSED, UNTESTED
from daemon.mixing.probe.quality.limits import NEAR_ZERO_MS_CM, WET_MS_CM

if TYPE_CHECKING:
    from daemon.mixing.probe.quality.flags import Outcome
    from daemon.mixing.probe.quality.quality_state import QualityState

DRY_SHARE = 0.1
WET_SHARE = 0.3
SUDDEN_S, DRY_S = 30.0, 60.0


def immersion(
    state: QualityState, conductivity_mS_cm: float, t_s: float, *, credible: bool
) -> Outcome:
    """Fail a probe that fell to nothing at once, until it is wet.

    However long it lasts, that alone makes no purified water of it.
    """
    if state.dry_since_s is None:
        # What was never true is no height to fall from.
        wet_mS_cm = _lately_wet(state, conductivity_mS_cm if credible else 0.0, t_s)
        if wet_mS_cm > WET_MS_CM and conductivity_mS_cm < DRY_SHARE * wet_mS_cm:
            state.dry_since_s = t_s
    elif conductivity_mS_cm > WET_SHARE * max(state.wet_mS_cm, state.wet_before_mS_cm):
        _forget_wetness(state)
        state.wet_mS_cm, state.wet_since_s = conductivity_mS_cm, t_s
    if state.dry_since_s is not None:
        wet_mS_cm = max(state.wet_mS_cm, state.wet_before_mS_cm)
        return FAIL, f"{conductivity_mS_cm:.2f} mS/cm at once after {wet_mS_cm:.1f}"
    return PASSED if conductivity_mS_cm > NEAR_ZERO_MS_CM else UNTESTED


def forget_wetness_after(state: QualityState, t_s: float) -> None:
    """Forget from what height the probe fell, a minute after it did."""
    if state.dry_since_s is not None and t_s - state.dry_since_s > DRY_S:
        _forget_wetness(state)


def _forget_wetness(state: QualityState) -> None:
    state.dry_since_s = None
    state.wet_mS_cm = state.wet_before_mS_cm = 0.0


def _lately_wet(state: QualityState, conductivity_mS_cm: float, t_s: float) -> float:
    """Return the highest conductivity of the last half to whole `SUDDEN_S`, mS/cm.

    Not the last value: a cell that drains falls in steps that are each small.
    """
    age_s = t_s - state.wet_since_s
    if age_s >= SUDDEN_S / 2:
        state.wet_before_mS_cm = state.wet_mS_cm if age_s <= SUDDEN_S else 0.0
        state.wet_mS_cm, state.wet_since_s = conductivity_mS_cm, t_s
    state.wet_mS_cm = max(state.wet_mS_cm, conductivity_mS_cm)
    return max(state.wet_mS_cm, state.wet_before_mS_cm)
