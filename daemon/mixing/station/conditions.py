"""Which alarm conditions hold now, each with its reason as a sentence."""

from __future__ import annotations

import math
from itertools import combinations
from typing import TYPE_CHECKING

from daemon.entries import Flag, Phase
from daemon.mixing.batch import lots, suspension
from daemon.mixing.batch.ageing import age_h, expired_sentence
from daemon.mixing.batch.batch_state import STEADY
from daemon.mixing.batch.release import short_sentence, shortfall
from daemon.mixing.batch.undecided import undecided_sentence
from daemon.mixing.probe.own_history import APART_PPT, SURE
from daemon.mixing.probe.quality import in_words
from daemon.mixing.seawater import dosing

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from datetime import tzinfo

    from daemon.entries import Instant, Reading
    from daemon.mixing.batch.batch_state import BatchSettings, BatchState
    from daemon.mixing.batch.lots import Lot
    from daemon.mixing.probe.probe_state import ProbeState
    from daemon.mixing.stability.level import Level

AGEING_SHARE = 6.0
PROOF_S = 2700.0
"""Longest time to prove that nothing moves any more, s."""
DRIFT_PPT, DRIFT_SHARE, LEAST_DRIFT_PPT = 0.3, 0.5, 0.1
"""How far released water may move, ppt: this, a share of the tolerance, and the least of both.

All three are our own choice.
"""
DRIFTED_SHARE = 2.0 / 3.0
"""A smaller move counts where the detector has reported a drift."""
WAITING = (Phase.VERIFYING, Phase.READY)
"""Phases of salt water that waits to be used."""
USABLE = (Flag.PASS, Flag.NOT_EVALUATED, Flag.SUSPECT)
"""Flags of readings that tell of the water."""
TOGETHER_S = 120.0
"""Readings of two probes that are farther apart than this say nothing of one another."""


def of_reading(reading: Reading, *, usable: bool) -> dict[str, str]:
    """Return the conditions of a reading.

    A bubble makes a jump as it comes and as it goes, so a jump alone is no fault of the probe.  A
    probe that goes on jumping has no usable reading.
    """
    if usable:
        return {}
    stale = {"reading-overdue": f"the last reading of {reading.probe} that can be used is old"}
    failed = [name for name, flag in reading.tests.items() if flag >= Flag.FAIL]
    if not reading.fault and failed == ["spike"]:
        return stale
    why = in_words(failed, reading.figures)
    return {"probe-fault": reading.fault or f"{reading.probe} fails {why}"} | stale


def of_silence(probe: str, silent_s: float, *, faulty: bool) -> dict[str, str]:
    """Return the conditions of a probe that sends not even a fault.

    Args:
        probe: Its name.
        silent_s: How long nothing has come, s.
        faulty: Whether it counts as failed: that nothing comes at all does not end that.
    """
    silent = f"nothing at all has come from {probe} for {silent_s / 60.0:.0f} min"
    return {"reading-overdue": silent} | ({"probe-fault": silent} if faulty else {})


def of_temperature(
    temperature_C: float | None,
    phase: Phase,
    band_C: tuple[float, float] | None,
    deadband_C: float,
    *,
    active: bool,
) -> dict[str, str]:
    """Return whether salt water that waits is out of its band; by more than a deadband to end it.

    Args:
        temperature_C: Of the water, °C; None when unknown, and then nothing changes.
        phase: Of the batch.
        band_C: Lowest and highest, °C; None for anywhere.
        deadband_C: How far inside it must be again, °C; a quarter of the band at the most.
        active: Whether the alarm's condition counts as there.
    """
    if band_C is None or phase not in WAITING:
        return {}
    low, high = band_C
    inside = min(deadband_C, (high - low) / 4.0) if active else 0.0
    if temperature_C is None:
        return {"temperature-out-of-band": "not known to be back"} if active else {}
    if low + inside <= temperature_C <= high - inside:
        return {}
    return {"temperature-out-of-band": f"{temperature_C:.1f} °C is outside {low:g} to {high:g} °C"}


def of_drift(
    state: BatchState,
    now: float | None,
    settings: BatchSettings,
    deadband_ppt: float,
    *,
    active: bool,
) -> dict[str, str]:
    """Return whether water has moved from what it was released as, nothing being added.

    The alarm stands too where the water lost its release by that.

    Args:
        state: Of the batch.
        now: Present salinity; None when unknown, and then nothing changes.
        settings: What it has to be.
        deadband_ppt: How much nearer it must come again, ppt; half the limit at the most.
        active: Whether the alarm's condition counts as there.
    """
    released = state.judgement.released_salinity
    if released is None or state.phase not in STEADY:
        return {}
    if now is None:
        return {"salinity-drifting": "not known to be back"} if active else {}
    limit = max(min(DRIFT_PPT, DRIFT_SHARE * settings.tolerance_ppt), LEAST_DRIFT_PPT)
    if state.drifted_s is not None:
        limit = max(DRIFTED_SHARE * limit, LEAST_DRIFT_PPT)
    limit -= min(deadband_ppt, limit / 2.0) if active else 0.0
    if abs(now - released) < limit:
        return {}
    why = f"released as {released:.2f} ppt, and now {now:.2f} ppt"
    return {"salinity-drifting": why}


def of_probes(
    probes: Mapping[str, ProbeState],
    deadband_ppt: float,
    history: Callable[[str, str], str] | None = None,
    *,
    active: bool,
) -> dict[str, str]:
    """Return whether two probes of one reservoir differ by more than both can be off.

    Args:
        probes: Each with the last salinity that could be used.
        deadband_ppt: How much nearer they must come again, ppt; half the limit at the most.
        history: Says which of two left its own history; None where nobody follows it.
        active: Whether the alarm's condition counts as there.
    """
    usable = [
        (name, each.salinity, each.salinity_u, each.salinity_s)
        for name, each in probes.items()
        if each.salinity is not None
        and each.salinity_u is not None
        and each.salinity_s is not None
        and each.out_s is None
    ]
    newest_s = max((at_s for *_, at_s in usable), default=0.0)
    fresh = [each for each in usable if newest_s - each[3] <= TOGETHER_S]
    if len(fresh) < 2:  # noqa: PLR2004 - a pair
        return {"probe-disagrees": "not known to agree again"} if active else {}
    for (name, salinity, u, _), (other, its, its_u, _) in combinations(fresh, 2):
        limit = max(APART_PPT, SURE * math.hypot(u, its_u))
        limit -= min(deadband_ppt, limit / 2.0) if active else 0.0
        if abs(its - salinity) >= limit:
            told = "" if history is None else f"; {history(name, other)}"
            return {
                "probe-disagrees": f"{name} reads {salinity:.2f} and {other} {its:.2f} ppt, more"
                f" apart than {limit:.2f}{told}"
            }
    return {}


def of_batch(
    state: BatchState, t_s: float, settings: BatchSettings, lots_by_name: Mapping[str, Lot]
) -> dict[str, str]:
    """Return the conditions of the batch and its salt."""
    present, phase = {}, state.phase
    if state.suspension is not None and not suspension.may_pass(state.suspension, t_s):
        present["batch-suspended"] = suspension.sentence(state.suspension)
    if phase is Phase.OFF_TARGET:
        present["batch-off-target"] = state.advice.text or "salinity is outside the limits"
    age = age_h(state, t_s)
    if phase is Phase.STALE or (age is not None and age > settings.use_within_h):
        present["batch-stale"] = expired_sentence(state, t_s, settings)
    if state.impure and phase is Phase.BLANK:
        present["blank-impure"] = state.advice.text or "the purified water is not pure"
    if phase in (Phase.VERIFYING, Phase.OFF_TARGET):
        short = shortfall(state)
        if short is not None and short.missing_g > 0.0:
            present["salt-unaccounted"] = short_sentence(state, short)
    if age is not None and phase is Phase.READY:
        young_h = settings.use_within_h - _warned_h(settings)
        if age > young_h:
            within = f"to be used within {settings.use_within_h:g} h of its release"
            present["batch-ageing"] = within
    if state.lot:
        present |= _of_salt(state, t_s, settings, lots_by_name)
    return present


def of_undecided(
    state: BatchState,
    since_s: float | None,
    at: Instant,
    t_s: float,
    zone: tzinfo,
    settings: BatchSettings,
) -> dict[str, str]:
    """Return whether a batch has been undecided for too long, or its release is contradicted.

    Args:
        state: Of the batch.
        since_s: Since when it is verified, s; None while it is not.
        at: Now.
        t_s: Monotonic time, s.
        zone: Of the station.
        settings: What the batch has to be.
    """
    if state.phase is Phase.READY and state.contradicted_s is not None:
        return {"batch-undecided": state.advice.text or "a second reading contradicts its release"}
    if state.phase is not Phase.VERIFYING or since_s is None:
        return {}
    if t_s - since_s < settings.undecided_after_min * 60.0:
        return {}
    return {"batch-undecided": undecided_sentence(state, t_s, at.wall, zone, settings)}


def of_mixing(
    state: BatchState, level: Level, t_s: float, settings: BatchSettings, *, active: bool
) -> dict[str, str]:
    """Return whether mixing is late, or has not begun though salt was recorded.

    Args:
        state: Of the batch.
        level: Salinity of the last minutes.
        t_s: Monotonic time, s.
        settings: What the batch has to be.
        active: Whether the alarm's condition counts as there: what was late stays so until it
            is over, however calm it looks meanwhile.
    """
    late = _overdue(state, level, t_s, settings, active=active)
    if _not_come(state, t_s, settings):
        late = "salt is recorded, but none has reached the water: was it poured?"
    return {"mixing-overdue": late} if late else {}


def _overdue(
    state: BatchState, level: Level, t_s: float, settings: BatchSettings, *, active: bool
) -> str:
    """Say why mixing is late: still moving when it should be over, or never proven to be."""
    if state.phase is not Phase.DISSOLVING or state.dissolving_since_s is None:
        return ""
    after_s = t_s - state.dissolving_since_s
    late_s = after_s - settings.settle_within_min * 60.0
    if late_s > PROOF_S:
        return f"not surely steady after more than {int(after_s / 600.0) * 10} min"
    if late_s > 0.0 and (active or level.moving()):
        return f"salinity still moves after more than {settings.settle_within_min:g} min"
    return ""


def _not_come(state: BatchState, t_s: float, settings: BatchSettings) -> bool:
    """Return whether the recorded salt is overdue in the water."""
    if state.phase is not Phase.BLANK or state.salt is None or state.dissolving_since_s is None:
        return False
    return t_s - state.dissolving_since_s > settings.settle_within_min * 60.0


def _warned_h(settings: BatchSettings) -> float:
    """Return how long before it is stale a batch is ageing: less than all of its hours."""
    if settings.warn_before_h < settings.use_within_h:
        return settings.warn_before_h
    return settings.use_within_h / AGEING_SHARE


def _of_salt(
    state: BatchState, t_s: float, settings: BatchSettings, lots_by_name: Mapping[str, Lot]
) -> dict[str, str]:
    """Return the condition of the lot that was used last."""
    lot = lots_by_name.get(state.lot)
    if lot is None or lot.left_g is None:
        return {}
    mix_yield = lots.estimate(lot, t_s).value
    needed_g = dosing.plan(settings.vessel.fill_l, settings.target_ppt, mix_yield).salt_g
    if not lots.low(lot, needed_g):
        return {}
    return {
        "salt-low": f"lot {lot.name} has {lot.left_g:.0f} g left, a batch needs {needed_g:.0f} g"
    }
