"""Thresholds of the tests, as configured or derived from sampling rate and noise."""

from __future__ import annotations

from dataclasses import dataclass
from math import erf, inf, log, sqrt
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from daemon.mixing.probe.quality.noise import Channel, NoiseState

SCALE_ENDS = 42.0
"""Upper end of practical salinity.  Source: UNESCO 44 (1983)."""
NEAR_ZERO_MS_CM = 0.5
WET_MS_CM = 3.0
"""Above it the cell is in salt water for certain; below it noise says nothing of the cell."""
LASTING_S = 60.0
"""As salt or water is poured, readings leave their band and their neighbours, s; the phase follows
within seconds."""
LEAST_SPIKE_PPT, SPIKE_PPT_PER_S, POURED_PPT_PER_S = 0.3, 0.03, 0.3
"""What a plume does between two readings, at least and for each second; and where salt may be
poured: a whole batch within two minutes."""
NOISES_OF_SPIKE = 8.0
"""A course through two readings of noise s misses the third by 2.4 s; this is three times it."""
NOISES_OF_CHANGE = 8.5
"""Two readings of noise s differ by 1.4 s; this is six times that."""
FLAT_SUSPECT_MIN, FLAT_FAIL_MIN = 10.0, 30.0
"""Shortest times in which values that repeat count as stuck."""
FLAT_LONGEST_MIN = 1440.0
"""No room keeps water to one step of a coarse instrument for a day."""
COARSE_MS_CM = 0.05
"""Steps from this on, a thousandth of seawater, hide the noise of any water."""
WHOLE = 1e-3
"""A coarse instrument says whole multiples of its step, to this."""
FLAT_SHOWN_MIN = 60.0
"""What a probe has shown by moving again after a longer time, as one that was stuck may have done,
excuses no more than this."""
FLAT_CHANCE = 1e-6
"""Chance at which a sound probe repeats itself for so long; failing takes three times as long."""
ATTENUATED_SHARE = 0.2
"""Of its usual noise, as little as no sound probe in water has for the whole window."""


@dataclass(frozen=True, slots=True)
class QualityLimits:
    """Thresholds of the tests; None where they follow from sampling rate and noise.

    Attributes:
        gap_s: Silence longer than this makes the next reading suspect, s.
        conductivity_range_mS_cm: Outside it a reading fails.
        temperature_range_C: Outside it a reading fails.
        expected_margin_ppt: How far beyond what a phase expects water may be, practical salinity.
        expected_margin_C: How far beyond the band of the reservoir steady water may be, °C.
        spike_suspect_ppt: A jump beyond this is suspect, practical salinity.
        spike_fail_ppt: A jump beyond this fails.
        rate_suspect_ppt_per_min: Salinity changing faster is suspect.
        rate_suspect_C_per_min: Water changing temperature faster is suspect.
        flat_suspect_min: Exactly equal values for so long are suspect.
        flat_fail_min: Exactly equal values for so long fail.
        attenuated_min: Window in which conductivity and temperature must scatter, min.
        attenuated_suspect_mS_cm: A smaller standard deviation of conductivity is suspect.
        attenuated_fail_mS_cm: A smaller one fails; None for never.
        neighbour_apart_ppt: Probes of one water may differ by as much whatever their uncertainty.
        neighbour_apart_C: The same of thermometers.
        conductivity_step_mS_cm: Resolution of the instrument; None to find it from its readings.
        temperature_step_C: Resolution of its thermometer; likewise.
        noise_ppt: Standard deviation of single readings of still water; likewise.
    """

    gap_s: float = 30.0
    conductivity_range_mS_cm: tuple[float, float] = (-0.1, 100.0)
    temperature_range_C: tuple[float, float] = (0.0, 40.0)
    expected_margin_ppt: float = 2.0
    expected_margin_C: float = 3.0
    spike_suspect_ppt: float | None = None
    spike_fail_ppt: float = 3.0
    rate_suspect_ppt_per_min: float = 60.0
    rate_suspect_C_per_min: float = 3.0
    flat_suspect_min: float | None = None
    flat_fail_min: float | None = None
    attenuated_min: float = 15.0
    attenuated_suspect_mS_cm: float | None = None
    attenuated_fail_mS_cm: float | None = None
    neighbour_apart_ppt: float = 0.3
    neighbour_apart_C: float = 0.5
    conductivity_step_mS_cm: float | None = None
    temperature_step_C: float | None = None
    noise_ppt: float | None = None


def noise_ppt(limits: QualityLimits, noise: NoiseState) -> float | None:
    """Return the noise of single readings, practical salinity; None while it is not known."""
    return noise.salinity.typical if limits.noise_ppt is None else limits.noise_ppt


def spike_suspect_ppt(
    limits: QualityLimits, noise: NoiseState, step_s: float, *, salting: bool
) -> float:
    """Return the jump from which a reading is suspect.

    What a person set holds as it is.  Else a jump must be more than a plume makes between two
    readings and more than noise makes of a course; noise never lifts it beyond half of a failure,
    so that a probe that jumps about does not excuse itself.

    Args:
        limits: As configured.
        noise: Of the probe.
        step_s: Since the reading before, s.
        salting: Whether salt may be poured at any moment, or goes into solution.
    """
    if limits.spike_suspect_ppt is not None:
        return limits.spike_suspect_ppt
    rate = POURED_PPT_PER_S if salting else SPIKE_PPT_PER_S
    natural, known = max(LEAST_SPIKE_PPT, rate * step_s), noise_ppt(limits, noise)
    if known is not None:
        natural = max(natural, NOISES_OF_SPIKE * known)
    return min(natural, limits.spike_fail_ppt / 2.0)


def spike_least_ppt(limits: QualityLimits) -> float:
    """Return the least that `spike_suspect_ppt` can be, whatever the noise is."""
    if limits.spike_suspect_ppt is not None:
        return limits.spike_suspect_ppt
    return min(LEAST_SPIKE_PPT, limits.spike_fail_ppt / 2.0)


def flat_minutes(
    limits: QualityLimits, noise: NoiseState, period_s: float, longest_min: float = inf
) -> tuple[float, float]:
    """Return after how many minutes of equal values a reading is suspect, and fails.

    A reading repeats the one before where noise does not carry it across a step.  From the chance
    of that follows how long a sound probe may repeat itself: for hours, where its steps are coarse.
    But one that is stuck has no noise either: so where its steps are fine, no more is allowed than
    it has shown already, by moving again after so long.

    Args:
        limits: Of the tests.
        noise: Of the probe.
        period_s: Between two readings, s.
        longest_min: The longest stretch of equal values that ended, min.
    """
    chance = _repeats(noise.conductivity, limits.conductivity_step_mS_cm) * _repeats(
        noise.temperature, limits.temperature_step_C
    )
    run_min = 0.0
    if noise.known:
        run_min = inf
        if chance < 1.0:
            run_min = max(1.0, log(FLAT_CHANCE) / log(max(chance, FLAT_CHANCE))) * period_s / 60.0
    if not _is_coarse(limits, noise):
        run_min = min(run_min, longest_min, FLAT_SHOWN_MIN)
    suspect = min(max(FLAT_SUSPECT_MIN, run_min), FLAT_LONGEST_MIN)
    fail = max(FLAT_FAIL_MIN, 3.0 * run_min)
    return (
        suspect if limits.flat_suspect_min is None else limits.flat_suspect_min,
        fail if limits.flat_fail_min is None else limits.flat_fail_min,
    )


def _is_coarse(limits: QualityLimits, noise: NoiseState) -> bool:
    """Return whether the steps are coarse, and those of the instrument, not of water that moves."""
    own, channel = limits.conductivity_step_mS_cm, noise.conductivity
    step = channel.step if own is None else own
    if step is None or step < COARSE_MS_CM or channel.last is None:
        return False
    return own is not None or abs(channel.last / step - round(channel.last / step)) < WHOLE


def _repeats(channel: Channel, step: float | None) -> float:
    """Return the chance that a value repeats the one before, at the worst place within a step.

    Gaussian noise rounded to a step.  1 where no step was ever made.
    """
    step = channel.step if step is None else step
    least = channel.least
    if step is None or not least:
        return 1.0
    return erf(0.5 * step / (sqrt(2.0) * least))
