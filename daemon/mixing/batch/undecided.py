"""What would decide a batch that is neither released nor refused, in the order to try it."""

from __future__ import annotations

import math
from datetime import timedelta
from typing import TYPE_CHECKING

from daemon.local_time import local
from daemon.mixing.batch import release
from daemon.mixing.batch.advice import amount
from daemon.mixing.batch.volume import vessel_of
from daemon.mixing.seawater.conformance import accept, acceptance_interval
from daemon.mixing.seawater.dosing import CannotDose, correct
from daemon.mixing.seawater.properties import OutOfRange
from daemon.mixing.stability.cells import CELL_S
from daemon.mixing.stability.detector import AFTER_DRIFT
from daemon.mixing.stability.level import BIN_S

if TYPE_CHECKING:
    from datetime import datetime, tzinfo

    from daemon.mixing.batch.batch_state import BatchSettings, BatchState

LONGEST_WAIT_S = 12 * 3600.0
"""Nobody wants to wait for longer, s; our own choice."""
MOST_TENTHS = 200
"""A tolerance of 20 ppt is none, in tenths of a ppt."""

ACTS = {
    "confirmation": "confirm that the water is clear and the bottom clean ('brinewright batch"
    " confirm')",
    "second reading": "enter what an independent instrument reads ('brinewright batch reading')",
}
"""What a person can do about a condition that is pending, where its sentence does not say it."""


def undecided_sentence(
    state: BatchState, t_s: float, wall: datetime, zone: tzinfo, settings: BatchSettings
) -> str:
    """Return why a batch is undecided and what would decide it.

    Args:
        state: Of the batch.
        t_s: Monotonic time, s.
        wall: The same moment, UTC.
        zone: Of the station, for times that a person reads.
        settings: What the batch has to be.
    """
    salinity, u = state.judgement.salinity, state.judgement.salinity_u
    if salinity is None or u is None:
        return "no reading can be used: clean the probe, and look at its cable and its supply"
    low, high = settings.low_ppt, settings.high_ppt
    figures = f"{salinity:.2f} ± {2 * u:.2f} ppt (k=2)"
    waits = release.pending(state, settings)
    acts = [ACTS.get(name, text) for name, text in waits.items() if name != "rest"]
    if accept(salinity, u, low, high, settings.release_confidence) != "inside":
        why = f"{figures} is not surely within {low:g} to {high:g} ppt"
        acts += _acts_on_salinity(state, salinity, u, settings)
    elif waits:
        why = f"{figures} is within {low:g} to {high:g} ppt, and release waits"
    else:
        why = f"{figures} is within {low:g} to {high:g} ppt, and was not before"
    wait_s = _wait_s(state, u, t_s, settings)
    if wait_s is not None:
        until = local(wall + timedelta(seconds=wait_s), zone)
        acts.append(f"{'or ' if acts else ''}wait until {until} at the earliest")
    elif state.drifted_s is not None:
        acts.append(waits["rest"])
    return f"{why}: {'; '.join(acts) or 'it is judged again each minute'}"


def _acts_on_salinity(
    state: BatchState, salinity: float, u: float, settings: BatchSettings
) -> list[str]:
    low, high = settings.low_ppt, settings.high_ppt
    provable = acceptance_interval(u, low, high, settings.release_confidence)
    if provable is None:
        wider = _least_tolerance(salinity, u, settings)
        calibrate = (
            f"this probe cannot prove {low:g} to {high:g} ppt, wherever in it the water is: clean"
            " it and calibrate it with two reference solutions ('brinewright calibrate start')"
        )
        allow = f"or set tolerance_ppt to {wider:.1f} or more, if your animals allow it"
        return [calibrate, allow]
    check = "clean the probe and check it in a reference solution ('brinewright calibrate check')"
    second = (
        "take a second reading, which shows whether the probe is off ('brinewright batch reading')"
    )
    return [check, second, *_move(state, salinity, u, provable, settings)]


def _least_tolerance(salinity: float, u: float, settings: BatchSettings) -> float:
    """Return the least tolerance, ppt, with which this reading would be released, a tenth up."""
    tenths = math.ceil(10.0 * settings.tolerance_ppt)
    while tenths < MOST_TENTHS:
        low, high = (settings.target_ppt + sign * tenths / 10.0 for sign in (-1, 1))
        if accept(salinity, u, low, high, settings.release_confidence) == "inside":
            break
        tenths += 1
    return tenths / 10.0


def _move(
    state: BatchState,
    salinity: float,
    u: float,
    provable: tuple[float, float],
    settings: BatchSettings,
) -> list[str]:
    """Return what brings the water so far inside the limits that this probe can prove it."""
    low, high = provable
    middle = (low + high) / 2.0
    # One standard uncertainty further than the edge, so that scatter does not leave it undecided.
    aim = min(low + u, middle) if salinity < middle else max(high - u, middle)
    vessel = vessel_of(state, settings)
    try:
        dose = correct(vessel.fill_l, salinity, aim, vessel.mix_yield)
    except (OutOfRange, CannotDose):
        return []
    if dose.final_volume_l > vessel.capacity_l:
        return []
    reach = f"inside the {low:.2f} to {high:.2f} ppt that this probe can prove"
    return [f"or add about {amount(dose, 1.0)}, which makes {aim:.2f} ppt, {reach}"]


def _wait_s(state: BatchState, u: float, t_s: float, settings: BatchSettings) -> float | None:
    """Return for how long to wait, s, where waiting alone can decide; None where it cannot.

    Either a drift has to have been over for long enough, or the mean of the whole time since
    steadiness follows the last minutes.
    """
    if state.drifted_s is not None:
        wait_s = state.drifted_s + AFTER_DRIFT * CELL_S - t_s
        return wait_s if wait_s > 0.0 else None
    now, mean, bins = state.judgement.salinity, state.judgement.mean, state.judgement.mean_bins
    provable = acceptance_interval(
        u, settings.low_ppt, settings.high_ppt, settings.release_confidence
    )
    if now is None or mean is None or provable is None or not provable[0] < now < provable[1]:
        return None
    edge = provable[0] if mean < now else provable[1]
    if provable[0] <= mean <= provable[1]:
        return None
    wait_s = BIN_S * bins * (edge - mean) / (now - edge)
    return wait_s if wait_s <= LONGEST_WAIT_S else None
