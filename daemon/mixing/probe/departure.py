"""Whether a probe has just left the water that it was in.

It left where conductivity jumps between two rests, falls to less than half within a minute,
fades to nothing as a film of water drains, or is less than half after a silence.
"""

from __future__ import annotations

from statistics import median
from typing import TYPE_CHECKING

from daemon.mixing.probe.place_bins import KEPT_S, SILENT_S
from daemon.mixing.probe.place_state import Away, Water

if TYPE_CHECKING:
    from daemon.mixing.probe.place_state import PlaceState

AFTER_S, TRANSIT_S, BEFORE_S = 60.0, 40.0, 120.0
"""A step is a jump of `TRANSIT_S` between `BEFORE_S` and `AFTER_S` of hardly any change, s."""
BEFORE_TRANSIT_S = AFTER_S + TRANSIT_S
STEP_SHARE, STEP_MS_CM, STEP_C = 0.01, 0.3, 0.5
"""A step is at least a share of conductivity, mS/cm; water does not warm by so much with it, °C."""
STIRRED_SHARE = 0.05
"""A larger step from water that moved needs a proof that it is still the same vessel."""
CALM_SHARE, REST_SHARE = 0.3, 0.1
"""What changes before a step, and after it, as a share of the step, at the most."""
NOISES = 6.0
"""A step is at least so many times what one bin differs from the next."""
FALL_S = (25.0, 100.0)
DEEP_SHARE = 0.5
"""A fall below this share within a minute is no water that is mixed."""
NOTHING_SHARE = 0.1
WET_MS_CM = 3.0
"""Water that conducts less is no height to fall from, mS/cm."""
SAME_PPT = 0.3
"""Salinity counts as the same within this."""
AT_REST_S = 180.0


def departure(state: PlaceState) -> Away | None:
    """Return from where and when the probe left; None while it is in the water."""
    return _deep_fall(state) or _step(state) or _faded(state) or _after_silence(state)


def _water(state: PlaceState, newer_s: float, older_s: float) -> Water:
    """Return the water of before, as it rested lately where it did."""
    bins, home = state.bins, state.home
    salinity = median(bins.between(bins.salinities, newer_s, older_s))
    near = home is not None and abs(home.salinity - salinity) <= SAME_PPT
    if home is not None and near and bins.now_s - home.at_s < KEPT_S:
        return home
    return Water(
        median(bins.between(bins.conductivities, newer_s, older_s)),
        median(bins.between(bins.temperatures, newer_s, older_s)),
        salinity,
        bins.now_s - newer_s,
        moving=not bins.at_rest(newer_s, newer_s + AT_REST_S),
    )


def _deep_fall(state: PlaceState) -> Away | None:
    bins = state.bins
    newest = bins.conductivities[-2:]
    before = bins.between(bins.conductivities, *FALL_S)
    if len(newest) < 2:  # noqa: PLR2004 - one may be a bubble
        return None
    home = state.home
    if len(before) < len(newest):
        # It has only just come back.
        wet_mS_cm = _wet_mS_cm(home)
        if home is None or wet_mS_cm is None or bins.now_s - home.at_s >= KEPT_S:
            return None
        return Away(bins.times_s[-2], home) if max(newest) < DEEP_SHARE * wet_mS_cm else None
    level = median(before)
    if level < WET_MS_CM or max(newest) >= DEEP_SHARE * level:
        return None
    if max(before) - min(before) > CALM_SHARE * level:
        return None
    return Away(bins.times_s[-2], _water(state, *FALL_S))


def _step(state: PlaceState) -> Away | None:
    bins = state.bins
    after = bins.between(bins.conductivities, 0.0, AFTER_S)
    span_s = (BEFORE_TRANSIT_S, BEFORE_TRANSIT_S + BEFORE_S)
    before = bins.between(bins.conductivities, *span_s)
    if len(after) < (2 if bins.sparse else 4) or len(before) < (3 if bins.sparse else 4):
        return None
    level, now = median(before), median(after)
    step = abs(now - level)
    if step < max(STEP_SHARE * level, STEP_MS_CM if level < WET_MS_CM else 0.0):
        return None
    noise = bins.noise()
    rest = max(REST_SHARE * step, 3.0 * noise)
    if step < NOISES * noise or _range(after) > rest or _range(before) > CALM_SHARE * step:
        return None
    warmed = abs(
        median(bins.between(bins.temperatures, 0.0, AFTER_S / 2.0))
        - median(bins.between(bins.temperatures, *span_s))
    )
    if not bins.at_rest(BEFORE_TRANSIT_S, BEFORE_TRANSIT_S + AT_REST_S) and warmed < STEP_C:
        # Water that is stirred by hand moves in jumps, too, and a bubble that goes only undoes one.
        highest = max(bins.between(bins.conductivities, BEFORE_TRANSIT_S, KEPT_S))
        if now > (1.0 + STIRRED_SHARE) * highest:
            state.unproven_s = bins.now_s
        return None
    home = _water(state, *span_s)
    apart = abs(median(bins.between(bins.salinities, 0.0, AFTER_S / 2.0)) - home.salinity)
    if apart <= SAME_PPT:
        return None
    shallow = DEEP_SHARE * level < now < level
    return Away(bins.now_s - AFTER_S - TRANSIT_S / 2.0, home, shallow, apart)


def _wet_mS_cm(home: Water | None) -> float | None:
    """Return the conductivity of water that is a height to fall from; None of any other."""
    known = None if home is None else home.conductivity_mS_cm
    return known if known is not None and known >= WET_MS_CM else None


def _range(values: list[float]) -> float:
    return max(values) - min(values)


def _faded(state: PlaceState) -> Away | None:
    bins, home = state.bins, state.home
    wet_mS_cm = _wet_mS_cm(home)
    if home is None or wet_mS_cm is None:
        return None
    if max(bins.conductivities[-3:]) >= NOTHING_SHARE * wet_mS_cm:
        return None
    return Away(max(home.at_s, bins.times_s[0]), home)


def _after_silence(state: PlaceState) -> Away | None:
    bins, home = state.bins, state.home
    if home is None or _wet_mS_cm(home) is None:
        return None
    if len(bins.times_s) != 3 or bins.times_s[0] - home.at_s < SILENT_S:  # noqa: PLR2004
        return None
    if max(bins.salinities) >= DEEP_SHARE * home.salinity:
        return None
    return Away(bins.times_s[0], home)
