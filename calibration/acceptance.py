"""May this calibration be used: accept, accept with a warning, or refuse, each with its reasons.

The limits are our own choice for mixing control, where 1 % of cell constant is
0.37 of salinity.  Field practice is wider: Wagner et al. (2006), USGS Techniques
and Methods 1-D3, recalibrates at 3 % (from memory).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum

from calibration.fit import Fit
from calibration.gum import COVERAGE_K
from calibration.model import NEVER_CALIBRATED, Calibration, Instrument


class Outcome(StrEnum):
    """What may be done with it."""

    ACCEPT = "accept"
    ACCEPT_WITH_WARNING = "accept_with_warning"
    REFUSE = "refuse"


@dataclass(frozen=True, slots=True)
class Limits:
    """Where a warning and a refusal begin.

    Attributes:
        factor_warn_percent: Change of the cell constant since last, or from its nominal.
        factor_refuse_percent: Likewise.
        zero_warn_percent: Zero, % of span.
        zero_refuse_percent: Likewise.
        temperature_warn_C: Disagreement of the thermometer as corrected so far.
        temperature_refuse_C: Disagreement of the thermometer by itself.
        residual_warn: Distance of a point from the line, in standard uncertainties.
        residual_refuse: Likewise.
        factor_u_warn_percent: Expanded uncertainty (k = 2) of the factor.
    """

    factor_warn_percent: float = 2.0
    factor_refuse_percent: float = 10.0
    zero_warn_percent: float = 0.1
    zero_refuse_percent: float = 0.5
    temperature_warn_C: float = 0.3
    temperature_refuse_C: float = 1.0
    residual_warn: float = 2.0
    residual_refuse: float = 3.0
    factor_u_warn_percent: float = 2.0


@dataclass(frozen=True, slots=True)
class Verdict:
    """The answer and its reasons.

    Attributes:
        outcome: The gravest of the reasons.
        reasons: Sentences; one that says all is well where nothing else is to be said.
    """

    outcome: Outcome
    reasons: tuple[str, ...]


DEFAULT_LIMITS = Limits()

_Reason = tuple[Outcome, str]


def judge(
    fit: Fit,
    before: Calibration,
    instrument: Instrument,
    overridden: Sequence[str] = (),
    limits: Limits = DEFAULT_LIMITS,
) -> Verdict:
    """Judge a fit.

    Args:
        fit: What the points say.
        before: The calibration in force, or `uncalibrated(instrument)`.
        instrument: For its span.
        overridden: What the operator was warned of and went on in spite of.
        limits: Where warnings and refusals begin.
    """
    reasons = [
        *_factor(fit, before, limits),
        *_zero(fit, instrument, limits),
        *_temperature(fit, before, limits),
        *_residuals(fit, limits),
        *_uncertainty(fit, limits),
        *((Outcome.ACCEPT_WITH_WARNING, f"Gone on in spite of: {each}") for each in overridden),
    ]
    outcomes = {outcome for outcome, _ in reasons}
    for outcome in (Outcome.REFUSE, Outcome.ACCEPT_WITH_WARNING):
        if outcome in outcomes:
            return Verdict(outcome, tuple(text for _, text in reasons))
    well = "Cell constant, zero, thermometer and residuals are all within their limits."
    return Verdict(Outcome.ACCEPT, (well,))


def _factor(fit: Fit, before: Calibration, limits: Limits) -> Iterator[_Reason]:
    if "factor" not in fit.measured:
        return
    first = before.id == NEVER_CALIBRATED
    change = 100.0 * (fit.factor / before.factor - 1.0)
    nominal = 100.0 * (fit.factor - 1.0)
    since = "from its nominal value" if first else "since the last calibration"
    if abs(change) > limits.factor_refuse_percent:
        yield (
            Outcome.REFUSE,
            (
                f"The cell constant is {change:+.1f} % {since}, beyond"
                f" {limits.factor_refuse_percent:g} %: clean the probe and repeat; if it comes out"
                " the same, replace the probe or correct the cell constant set in the instrument."
            ),
        )
    elif abs(change) > limits.factor_warn_percent:
        yield (
            Outcome.ACCEPT_WITH_WARNING,
            (
                f"Maintenance: the cell constant is {change:+.1f} % {since}, beyond"
                f" {limits.factor_warn_percent:g} %; clean the probe soon."
            ),
        )
    if not first and abs(nominal) > limits.factor_refuse_percent:
        yield (
            Outcome.REFUSE,
            (
                f"The cell constant is {nominal:+.1f} % from its nominal value, more than a sound"
                " cell can be: clean or replace the probe."
            ),
        )


def _zero(fit: Fit, instrument: Instrument, limits: Limits) -> Iterator[_Reason]:
    percent = 100.0 * abs(fit.zero_mS_cm) / instrument.span_mS_cm if instrument.span_mS_cm else 0.0
    text = f"The zero is {fit.zero_mS_cm:+.3f} mS/cm, {percent:.2f} % of the span"
    if percent > limits.zero_refuse_percent:
        yield (
            Outcome.REFUSE,
            (
                f"{text}, beyond {limits.zero_refuse_percent:g} %: rinse and dry the cell and"
                " repeat; if it stays, the cable or the probe is damp or damaged."
            ),
        )
    elif percent > limits.zero_warn_percent:
        yield Outcome.ACCEPT_WITH_WARNING, f"{text}, beyond {limits.zero_warn_percent:g} %."


def _temperature(fit: Fit, before: Calibration, limits: Limits) -> Iterator[_Reason]:
    if "temperature" not in fit.measured:
        return
    off = -fit.temperature_offset_C
    change = before.temperature_offset_C + off
    if abs(off) > limits.temperature_refuse_C:
        yield (
            Outcome.REFUSE,
            (
                f"The probe's thermometer is off by {off:+.2f} °C, beyond"
                f" {limits.temperature_refuse_C:g} °C: check the reference thermometer and that"
                " both were in the same water; if so, replace the probe."
            ),
        )
    elif abs(change) > limits.temperature_warn_C:
        yield (
            Outcome.ACCEPT_WITH_WARNING,
            (
                f"The probe's thermometer, as corrected so far, disagrees by {change:+.2f} °C,"
                f" beyond {limits.temperature_warn_C:g} °C."
            ),
        )


def _residuals(fit: Fit, limits: Limits) -> Iterator[_Reason]:
    for point in fit.residuals:
        text = (
            f"Point {point.number} ({point.name}) lies {point.residual_mS_cm:+.3f} mS/cm off the"
            f" line, {abs(point.normalised):.1f} times its standard uncertainty"
        )
        if abs(point.normalised) > limits.residual_refuse:
            yield (
                Outcome.REFUSE,
                f"{text}: the points contradict one another; repeat with fresh solution.",
            )
        elif abs(point.normalised) > limits.residual_warn:
            yield Outcome.ACCEPT_WITH_WARNING, f"{text}."


def _uncertainty(fit: Fit, limits: Limits) -> Iterator[_Reason]:
    percent = 100.0 * COVERAGE_K * fit.u_factor / fit.factor
    if percent > limits.factor_u_warn_percent:
        yield (
            Outcome.ACCEPT_WITH_WARNING,
            (
                f"The cell constant is only known to ± {percent:.1f} % (k = 2); the budget names"
                " what weighs most."
            ),
        )
