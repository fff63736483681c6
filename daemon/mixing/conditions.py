"""Which alarm conditions hold now, each with its reason as a sentence."""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.entries import Flag, Phase
from daemon.mixing import dosing, lots
from daemon.mixing.batch import age_h
from daemon.mixing.release import short_sentence, shortfall

if TYPE_CHECKING:
    from collections.abc import Mapping

    from daemon.entries import Reading
    from daemon.mixing.batch_state import BatchSettings, BatchState
    from daemon.mixing.lots import Lot

AGEING_SHARE = 6.0
SETTLED_PPT = 0.3
PROOF_S = 1800.0
"""How long it may take to be sure that nothing moves any more."""


def of_reading(reading: Reading, *, usable: bool) -> dict[str, str]:
    """Return what is wrong with the readings."""
    if usable:
        return {}
    failed = [name for name, flag in reading.tests.items() if flag >= Flag.FAIL]
    return {
        "probe-fault": reading.fault or f"{reading.probe} fails {', '.join(failed)}",
        "reading-stale": f"the last reading of {reading.probe} that can be used is old",
    }


def of_batch(
    state: BatchState, t_s: float, settings: BatchSettings, known: Mapping[str, Lot]
) -> dict[str, str]:
    """Return what is wrong with the batch, its water and its salt."""
    found = {}
    if _overdue(state, t_s, settings):
        found["mixing-overdue"] = f"dissolving for more than {settings.settle_within_min:g} min"
    if _not_come(state, t_s, settings):
        found["mixing-overdue"] = "salt was told, but none is seen in the water: was it poured?"
    if state.phase is Phase.OFF_TARGET:
        found["batch-off-target"] = state.advice or "salinity is outside the limits"
    if state.phase is Phase.STALE:
        found["batch-stale"] = state.advice or "older than it may be used"
    if state.phase is Phase.BLANK and state.impure:
        found["blank-impure"] = state.advice or "the purified water is not pure"
    if state.phase in (Phase.VERIFYING, Phase.OFF_TARGET):
        short = shortfall(state)
        if short is not None and short.missing_g > 0.0:
            found["short-yield"] = short_sentence(state, short)
    age, young_h = age_h(state, t_s), settings.use_within_h - _warned_h(settings)
    if state.phase is Phase.READY and age is not None and age > young_h:
        found["batch-ageing"] = f"to be used within {settings.use_within_h:g} h of its release"
    return found | _of_salt(state, t_s, settings, known)


def _overdue(state: BatchState, t_s: float, settings: BatchSettings) -> bool:
    """Say whether mixing is late: still moving when it should be over, or never proven so."""
    if state.phase is not Phase.DISSOLVING or state.salted_since_s is None:
        return False
    late_s = t_s - state.salted_since_s - settings.settle_within_min * 60.0
    moving = state.remaining is None or abs(state.remaining) >= SETTLED_PPT
    return late_s > (0.0 if moving else PROOF_S)


def _not_come(state: BatchState, t_s: float, settings: BatchSettings) -> bool:
    """Say whether salt that was told should have been seen by now and has not."""
    if state.phase is not Phase.BLANK or state.told is None or state.salted_since_s is None:
        return False
    return t_s - state.salted_since_s > settings.settle_within_min * 60.0


def _warned_h(settings: BatchSettings) -> float:
    """Return how long before it is stale a batch is ageing: a part where the hours told are all."""
    if settings.warn_before_h < settings.use_within_h:
        return settings.warn_before_h
    return settings.use_within_h / AGEING_SHARE


def _of_salt(
    state: BatchState, t_s: float, settings: BatchSettings, known: Mapping[str, Lot]
) -> dict[str, str]:
    """Return what is wrong with the lot that was used last."""
    lot = known.get(state.lot)
    if lot is None or lot.left_g is None:
        return {}
    mix_yield = lots.estimate(lot, t_s).value
    needed_g = dosing.plan(settings.vessel.fill_l, settings.target_ppt, mix_yield).salt_g
    if not lots.low(lot, needed_g):
        return {}
    return {
        "salt-low": f"lot {lot.name} has {lot.left_g:.0f} g left, a batch needs {needed_g:.0f} g"
    }
