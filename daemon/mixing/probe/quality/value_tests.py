"""Tests of one reading alone: what came, and whether it can be water of this batch."""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.mixing.probe.quality.flags import FAIL, PASSED, SUSPECT, UNTESTED
from daemon.mixing.probe.quality.limits import LASTING_S, SCALE_ENDS

if TYPE_CHECKING:
    from daemon.mixing.probe.quality.flags import Outcome
    from daemon.mixing.probe.quality.limits import QualityLimits
    from daemon.mixing.probe.quality.quality_state import QualityState
    from daemon.mixing.probe.quality.water_context import WaterContext


def gap(state: QualityState, t_s: float, limits: QualityLimits) -> Outcome:
    """Flag a reading after a silence, longer than a gap (the manual's test 1)."""
    if state.last_t_s is None:
        return UNTESTED
    silent_s = t_s - state.last_t_s
    if silent_s > limits.gap_s:
        return SUSPECT, f"after {silent_s:.0f} s without a reading, more than {limits.gap_s:g}"
    return PASSED


def gross_range(
    conductivity_mS_cm: float, temperature_C: float, salinity: float | None, limits: QualityLimits
) -> Outcome:
    """Fail what the instrument cannot read in water (test 4)."""
    low, high = limits.conductivity_range_mS_cm
    if not low <= conductivity_mS_cm <= high:
        return FAIL, f"{conductivity_mS_cm:.5g} mS/cm is outside {low:g} to {high:g}"
    low, high = limits.temperature_range_C
    if not low <= temperature_C <= high:
        return FAIL, f"{temperature_C:.4g} °C is outside {low:g} to {high:g}"
    if salinity is None:
        return FAIL, (
            f"{conductivity_mS_cm:.5g} mS/cm at {temperature_C:.4g} °C have no practical salinity"
        )
    return PASSED


def scale(salinity: float | None) -> Outcome:
    """Flag what is extrapolated."""
    if salinity is None:
        return UNTESTED
    if salinity > SCALE_ENDS:
        return SUSPECT, f"{salinity:.2f} ppt, and the scale ends at {SCALE_ENDS:g}"
    return PASSED


def expected_band(
    state: QualityState,
    salinity: float | None,
    temperature_C: float,
    t_s: float,
    context: WaterContext,
    *,
    silent: bool,
) -> Outcome:
    """Flag water that is for a minute not what its phase lets expect.

    The manual's climatology (test 5): what is plausible here and now, where a gross range is what
    is possible at all.  A vessel has no seasons; it has phases.
    """
    band, band_C = context.band_ppt, context.band_C
    if salinity is None or (band is None and band_C is None):
        state.outside_since_s = None
        return UNTESTED
    figure = ""
    if band is not None and not band[0] <= salinity <= band[1]:
        figure = (
            f"{salinity:.2f} ppt, expected {band[0]:.1f} to {band[1]:.1f} while {_words(context)}"
        )
    elif band_C is not None and not band_C[0] <= temperature_C <= band_C[1]:
        figure = (
            f"{temperature_C:.1f} °C, expected {band_C[0]:g} to {band_C[1]:g} while"
            f" {_words(context)}"
        )
    if not figure:
        state.outside_since_s = None
        return PASSED
    if state.outside_since_s is None or silent:
        state.outside_since_s = t_s
    return (SUSPECT, figure) if t_s - state.outside_since_s >= LASTING_S else PASSED


def _words(context: WaterContext) -> str:
    return context.phase.replace("_", " ")
