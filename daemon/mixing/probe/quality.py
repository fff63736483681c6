"""Quality tests on one probe's readings, in the manner of QARTOD.

Every test gives one flag; the reading carries the worst of them.  The order
is the numeric one (1 pass, 2 not evaluated, 3 suspect, 4 fail, 9 missing), so
a test that could not run never counts as one that passed, and no test can
improve what another has found.

Source: U.S. IOOS QARTOD, Manual for Real-Time Quality Control of In-situ
Temperature and Salinity Data, version 2.0 (2016), tests 1, 2, 4, 6, 7 and 8.
The immersion test is our own: a probe lifted into air falls to nothing at once,
which no water does; what else it can be put into `place` finds out.  So is that of the
scale: practical salinity ends at 42, and what is extrapolated beyond is suspect.
The thresholds are local choices for a stirred vessel, as the manual intends.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite

from daemon.entries import Flag, Sample

TESTS = (
    "gap",
    "syntax",
    "gross_range",
    "scale",
    "spike",
    "rate_of_change",
    "flat_line",
    "immersion",
)
CALIBRATING = "calibrating"
"""Marks a reading of a probe that is out of the water for calibration; no test of its value."""
SCALE_ENDS = 42.0
"""Upper end of practical salinity.  Source: UNESCO 44 (1983)."""
NEAR_ZERO_MS_CM = 0.5
WET_MS_CM = 3.0
DRY_SHARE = 0.1
WET_SHARE = 0.3
SUDDEN_S, DRY_S = 30.0, 60.0


@dataclass(frozen=True, slots=True)
class QualityLimits:
    """Thresholds of the tests.

    Attributes:
        gap_s: Silence longer than this makes the next reading suspect, s.
        conductivity_range_mS_cm: Outside it a reading fails.
        temperature_range_C: Outside it a reading fails.
        spike_suspect_ppt: A jump beyond this is suspect, practical salinity.
        spike_fail_ppt: A jump beyond this fails.
        rate_suspect_ppt_per_min: Salinity changing faster is suspect.
        rate_suspect_C_per_min: Water changing temperature faster is suspect.
        flat_suspect_min: Exactly equal values for so long are suspect.
        flat_fail_min: Exactly equal values for so long fail.
    """

    gap_s: float = 30.0
    conductivity_range_mS_cm: tuple[float, float] = (-0.1, 100.0)
    temperature_range_C: tuple[float, float] = (0.0, 40.0)
    spike_suspect_ppt: float = 0.3
    spike_fail_ppt: float = 3.0
    rate_suspect_ppt_per_min: float = 60.0
    rate_suspect_C_per_min: float = 3.0
    flat_suspect_min: float = 10.0
    flat_fail_min: float = 30.0


@dataclass(slots=True)
class QualityState:
    """What the tests remember of one probe."""

    last_t_s: float | None = None
    last_salinity: float | None = None
    before_last_salinity: float | None = None
    last_step_s: float = 0.0
    last_temperature_C: float | None = None
    flat_value: tuple[float, float] | None = None
    flat_since_s: float = 0.0
    ever_moved: bool = False
    wet_mS_cm: float = 0.0
    wet_before_mS_cm: float = 0.0
    wet_since_s: float = 0.0
    dry_since_s: float | None = None


def worst(tests: dict[str, Flag]) -> Flag:
    """Return the worst flag; a reading without a test is not evaluated."""
    return max(tests.values(), default=Flag.NOT_EVALUATED)


def judge(
    state: QualityState,
    sample: Sample,
    salinity: float | None,
    t_s: float,
    limits: QualityLimits,
) -> dict[str, Flag]:
    """Test one sample and remember it.

    Args:
        state: Changed in place.
        sample: The sample, raw values in mS/cm and °C.
        salinity: Practical salinity of it; None when there is none.
        t_s: Monotonic time of the sample, s, never decreasing.
        limits: Thresholds.

    Returns:
        One flag for each name in `TESTS`.
    """
    if sample.conductivity_mS_cm is None or sample.temperature_C is None:
        return _absent(sample)
    if not (isfinite(sample.conductivity_mS_cm) and isfinite(sample.temperature_C)):
        return {**dict.fromkeys(TESTS, Flag.NOT_EVALUATED), "gross_range": Flag.FAIL}
    tests = {
        "gap": _gap(state, t_s, limits),
        "syntax": Flag.PASS,
        "gross_range": _gross_range(sample, salinity, limits),
        "scale": _scale(salinity),
        "spike": _spike(state, salinity, t_s, limits),
        "rate_of_change": _rate(state, salinity, sample.temperature_C, t_s, limits),
        "flat_line": _flat(state, sample.conductivity_mS_cm, sample.temperature_C, t_s, limits),
    }
    credible = tests["gross_range"] is Flag.PASS and tests["spike"] < Flag.FAIL
    tests["immersion"] = _immersion(state, sample.conductivity_mS_cm, t_s, credible=credible)
    _remember(state, salinity, sample.temperature_C, t_s)
    return tests


def _absent(sample: Sample) -> dict[str, Flag]:
    tests = dict.fromkeys(TESTS, Flag.NOT_EVALUATED)
    tests["gap"] = Flag.MISSING
    if sample.spoken:
        tests["syntax"] = Flag.FAIL
    return tests


def _gap(state: QualityState, t_s: float, limits: QualityLimits) -> Flag:
    if state.last_t_s is None:
        return Flag.NOT_EVALUATED
    return Flag.SUSPECT if _silent(state, t_s, limits) else Flag.PASS


def _silent(state: QualityState, t_s: float, limits: QualityLimits) -> bool:
    return state.last_t_s is not None and t_s - state.last_t_s > limits.gap_s


def _gross_range(sample: Sample, salinity: float | None, limits: QualityLimits) -> Flag:
    within = _between(sample.conductivity_mS_cm, limits.conductivity_range_mS_cm) and _between(
        sample.temperature_C, limits.temperature_range_C
    )
    return Flag.PASS if within and salinity is not None else Flag.FAIL


def _scale(salinity: float | None) -> Flag:
    if salinity is None:
        return Flag.NOT_EVALUATED
    return Flag.SUSPECT if salinity > SCALE_ENDS else Flag.PASS


def _between(value: float | None, span: tuple[float, float]) -> bool:
    return value is not None and span[0] <= value <= span[1]


def _spike(state: QualityState, salinity: float | None, t_s: float, limits: QualityLimits) -> Flag:
    """Flag a value outside both the last one and the course it was on.

    The manual's test waits for the successor of a value; a live reading has
    none yet, so the last two values stand in: salt that pours in keeps its
    course and passes from its second value on, a bubble does not.
    """
    last, before = state.last_salinity, state.before_last_salinity
    if salinity is None or last is None or before is None or state.last_t_s is None:
        return Flag.NOT_EVALUATED
    if t_s - state.last_t_s > limits.gap_s or state.last_step_s <= 0.0:
        return Flag.NOT_EVALUATED
    course = last + (last - before) * (t_s - state.last_t_s) / state.last_step_s
    low, high = min(last, course), max(last, course)
    away = max(low - salinity, salinity - high, 0.0)
    if away > limits.spike_fail_ppt:
        return Flag.FAIL
    return Flag.SUSPECT if away > limits.spike_suspect_ppt else Flag.PASS


def _rate(
    state: QualityState,
    salinity: float | None,
    temperature_C: float,
    t_s: float,
    limits: QualityLimits,
) -> Flag:
    last_s, last_C, last_t_s = state.last_salinity, state.last_temperature_C, state.last_t_s
    if salinity is None or last_s is None or last_C is None or last_t_s is None:
        return Flag.NOT_EVALUATED
    # One sampling step of a coarse thermometer must not look like a rate.
    minutes = max(t_s - last_t_s, 10.0) / 60.0
    too_fast = (
        abs(salinity - last_s) > limits.rate_suspect_ppt_per_min * minutes
        or abs(temperature_C - last_C) > limits.rate_suspect_C_per_min * minutes
    )
    return Flag.SUSPECT if too_fast else Flag.PASS


def _flat(
    state: QualityState,
    conductivity_mS_cm: float,
    temperature_C: float,
    t_s: float,
    limits: QualityLimits,
) -> Flag:
    """Flag values that repeat exactly; pure water reads a quiet zero, which tells nothing."""
    value = (conductivity_mS_cm, temperature_C)
    if value != state.flat_value:
        state.ever_moved = state.ever_moved or state.flat_value is not None
        state.flat_value, state.flat_since_s = value, t_s
    elif _silent(state, t_s, limits):
        # Nobody knows what it did meanwhile.
        state.flat_since_s = t_s
    if conductivity_mS_cm < NEAR_ZERO_MS_CM or not state.ever_moved:
        return Flag.NOT_EVALUATED
    flat_min = (t_s - state.flat_since_s) / 60.0
    if flat_min >= limits.flat_fail_min:
        return Flag.FAIL
    return Flag.SUSPECT if flat_min >= limits.flat_suspect_min else Flag.PASS


def _immersion(
    state: QualityState, conductivity_mS_cm: float, t_s: float, *, credible: bool
) -> Flag:
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
        return Flag.FAIL
    return Flag.PASS if conductivity_mS_cm > NEAR_ZERO_MS_CM else Flag.NOT_EVALUATED


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


def _remember(
    state: QualityState, salinity: float | None, temperature_C: float, t_s: float
) -> None:
    state.last_step_s = 0.0 if state.last_t_s is None else t_s - state.last_t_s
    state.last_t_s = t_s
    state.before_last_salinity = state.last_salinity
    state.last_salinity = salinity
    state.last_temperature_C = temperature_C
