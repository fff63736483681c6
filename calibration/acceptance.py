"""May this calibration be used: accept, accept with a warning, hold, or refuse, with the reasons.

One that contradicts the calibration in force is held: it is kept, and the older one stays in
force, until a solution of another lot or a repair that a person names settles which is right.

The limits are our own choice for mixing control, where 1 % of cell constant is
0.37 of salinity at 33 (0.38 at 34, 0.39 at 35).  Field practice is wider: Wagner
et al. (2006), USGS Techniques and Methods 1-D3, recalibrates at 3 % (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum

from calibration.comparison import ZERO_REPEATS_MS_CM, Comparison
from calibration.fit import Fit
from calibration.gum import COVERAGE_K
from calibration.model import NEVER_CALIBRATED, Calibration, Instrument


class CalibrationOutcome(StrEnum):
    """What may be done with it."""

    ACCEPT = "accept"
    ACCEPT_WITH_WARNING = "accept_with_warning"
    HOLD = "hold"
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
class CalibrationVerdict:
    """The answer and its reasons.

    Attributes:
        outcome: The gravest of the reasons.
        reasons: Sentences; one that says all is well where nothing else is to be said.
    """

    outcome: CalibrationOutcome
    reasons: tuple[str, ...]


DEFAULT_LIMITS = Limits()

_Reason = tuple[CalibrationOutcome, str]

REPAIRS = ("cleaned", "cell replaced", "instrument replaced")
"""What may have been done to a probe, so that it is another than it was."""


@dataclass(frozen=True, slots=True)
class Contrast:
    """How new points stand beside what is on record.

    Attributes:
        comparison: With the calibration in force; None where there is none.
        repair: What was done to the probe before, one of `REPAIRS`; empty for nothing.
        on_hold: Id of a calibration that is held and agrees with it by another lot; empty for none.
    """

    comparison: Comparison | None = None
    repair: str = ""
    on_hold: str = ""


NO_CONTRAST = Contrast()


def judge(
    fit: Fit,
    before: Calibration,
    instrument: Instrument,
    overridden: Sequence[str] = (),
    limits: Limits = DEFAULT_LIMITS,
    contrast: Contrast = NO_CONTRAST,
) -> CalibrationVerdict:
    """Judge a fit.

    Args:
        fit: What the points say.
        before: The calibration in force, or `uncalibrated(instrument)`.
        instrument: For its span.
        overridden: What the operator was warned of and went on in spite of.
        limits: Where warnings and refusals begin.
        contrast: How it stands beside what is on record.
    """
    reasons = [
        *_factor(fit, before, limits),
        *_zero(fit, instrument, limits),
        *_temperature(fit, before, limits),
        *_residuals(fit, limits),
        *_uncertainty(fit, limits),
        *_contradiction(contrast),
        *(
            (CalibrationOutcome.ACCEPT_WITH_WARNING, f"Gone on in spite of: {each}")
            for each in overridden
        ),
    ]
    outcomes = {outcome for outcome, _ in reasons}
    for outcome in (
        CalibrationOutcome.REFUSE,
        CalibrationOutcome.HOLD,
        CalibrationOutcome.ACCEPT_WITH_WARNING,
    ):
        if outcome in outcomes:
            return CalibrationVerdict(outcome, tuple(text for _, text in reasons))
    well = "Cell constant, zero, thermometer and residuals are all within their limits."
    return CalibrationVerdict(CalibrationOutcome.ACCEPT, (well,))


def _factor(fit: Fit, before: Calibration, limits: Limits) -> Iterator[_Reason]:
    if "factor" not in fit.measured:
        return
    first = before.id == NEVER_CALIBRATED
    change = 100.0 * (fit.factor / before.factor - 1.0)
    nominal = 100.0 * (fit.factor - 1.0)
    since = "from its nominal value" if first else "since the last calibration"
    if abs(change) > limits.factor_refuse_percent:
        yield (
            CalibrationOutcome.REFUSE,
            (
                f"The cell constant is {change:+.1f} % {since}, beyond"
                f" {limits.factor_refuse_percent:g} %: clean the probe and repeat; if it comes out"
                " the same, replace the probe or correct the cell constant set in the instrument."
            ),
        )
    elif abs(change) > limits.factor_warn_percent:
        yield (
            CalibrationOutcome.ACCEPT_WITH_WARNING,
            (
                f"Maintenance: the cell constant is {change:+.1f} % {since}, beyond"
                f" {limits.factor_warn_percent:g} %; clean the probe soon."
            ),
        )
    if not first and abs(nominal) > limits.factor_refuse_percent:
        yield (
            CalibrationOutcome.REFUSE,
            (
                f"The cell constant is {nominal:+.1f} % from its nominal value, more than a sound"
                " cell can be: clean or replace the probe."
            ),
        )


def _contradiction(contrast: Contrast) -> Iterator[_Reason]:
    """Yield what contradicts the calibration in force, and whether that is settled."""
    comparison = contrast.comparison
    if comparison is None:
        return
    if comparison.zero_moved and not contrast.repair:
        yield (
            CalibrationOutcome.HOLD,
            (
                f"The zero moved by {comparison.zero_moved_mS_cm:+.3f} mS/cm since the calibration"
                f" in force, more than the {ZERO_REPEATS_MS_CM:g} mS/cm that a dry cell does: a"
                " film of solution in the cell does that. Rinse it, dry it and repeat."
            ),
        )
    if not comparison.contradicts:
        if comparison.unconfirmed_percent and not contrast.repair:
            yield CalibrationOutcome.ACCEPT_WITH_WARNING, _unconfirmed(comparison)
        return
    if comparison.compensating is not None:
        yield CalibrationOutcome.REFUSE, _compensates(comparison)
        return
    what = (
        f"it would change the salinity of the same water by {comparison.change_ppt:+.2f} ppt"
        f" (E_n {comparison.en:+.1f}; beyond 1 they contradict one another)"
    )
    settled = _settled(contrast, comparison)
    if settled:
        yield (
            CalibrationOutcome.ACCEPT_WITH_WARNING,
            f"Beside the calibration in force {what}; {settled}.",
        )
        return
    cause = (
        "Bubbles, a fouled cell or a diluted solution do that"
        if comparison.reads_low
        else "A solution that lost water, a wet cell in air or a cell that was cleaned does that"
    )
    yield (
        CalibrationOutcome.HOLD,
        f"It contradicts the calibration in force: {what}. {cause}. {SETTLES}",
    )


SETTLES = (
    "The calibration in force stays so until a check in a solution of another lot agrees with this"
    " one, or until the repair is named that made the probe another"
    f" ({', '.join(REPAIRS)})."
)


def _settled(contrast: Contrast, comparison: Comparison) -> str:
    """Say what settles a contradiction; empty where nothing does."""
    if contrast.repair:
        return f"taken because of the repair: {contrast.repair}"
    if contrast.on_hold:
        return f"taken because {contrast.on_hold}, which was held, says the same by another lot"
    if comparison.lots_agree and not comparison.reads_low:
        return "taken because solutions of two lots say the same"
    return ""


def _unconfirmed(comparison: Comparison) -> str:
    return (
        f"It moves the salinity of the same water by {comparison.change_ppt:+.2f} ppt"
        f" (E_n {comparison.en:+.1f}), and its solution alone is worth"
        f" ± {comparison.expanded_ppt:.2f} ppt: readings are stated with more uncertainty"
        " until a check"
        " in a solution of another lot agrees."
    )


def _compensates(comparison: Comparison) -> str:
    return (
        "The difference from the calibration in force is that of an instrument that compensates"
        f" for temperature by {comparison.compensating:.1f} % per °C to 25 °C, and not of a cell:"
        " switch"
        " compensation off in the instrument, or state it in the probe's configuration"
        " (compensation), and repeat. If it is off for certain, repeat at 25 °C, where both are"
        " alike."
    )


def _zero(fit: Fit, instrument: Instrument, limits: Limits) -> Iterator[_Reason]:
    if "zero" in fit.measured:
        u = math.sqrt(max(0.0, fit.covariance[1][1]))
        if abs(fit.zero_mS_cm) > instrument.zero_limits_mS_cm + COVERAGE_K * u:
            yield (
                CalibrationOutcome.REFUSE,
                (
                    f"The zero is {fit.zero_mS_cm:+.3f} mS/cm, beyond the"
                    f" ± {instrument.zero_limits_mS_cm:g} mS/cm stated for this probe: rinse and"
                    " dry the cell and repeat; if it stays, the cable or the probe is damp or"
                    " damaged, or the instrument is worth less than zero_limits_mS_cm in its"
                    " configuration says."
                ),
            )
            return
    percent = 100.0 * abs(fit.zero_mS_cm) / instrument.span_mS_cm if instrument.span_mS_cm else 0.0
    text = f"The zero is {fit.zero_mS_cm:+.3f} mS/cm, {percent:.2f} % of the span"
    if percent > limits.zero_refuse_percent:
        yield (
            CalibrationOutcome.REFUSE,
            (
                f"{text}, beyond {limits.zero_refuse_percent:g} %: rinse and dry the cell and"
                " repeat; if it stays, the cable or the probe is damp or damaged."
            ),
        )
    elif percent > limits.zero_warn_percent:
        yield (
            CalibrationOutcome.ACCEPT_WITH_WARNING,
            f"{text}, beyond {limits.zero_warn_percent:g} %.",
        )


def _temperature(fit: Fit, before: Calibration, limits: Limits) -> Iterator[_Reason]:
    if "temperature" not in fit.measured:
        return
    off = -fit.temperature_offset_C
    change = before.temperature_offset_C + off
    if abs(off) > limits.temperature_refuse_C:
        yield (
            CalibrationOutcome.REFUSE,
            (
                f"The probe's thermometer is off by {off:+.2f} °C, beyond"
                f" {limits.temperature_refuse_C:g} °C: check the reference thermometer and that"
                " both were in the same water; if so, replace the probe."
            ),
        )
    elif abs(change) > limits.temperature_warn_C:
        yield (
            CalibrationOutcome.ACCEPT_WITH_WARNING,
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
                CalibrationOutcome.REFUSE,
                f"{text}: the points contradict one another; repeat with fresh solution.",
            )
        elif abs(point.normalised) > limits.residual_warn:
            yield CalibrationOutcome.ACCEPT_WITH_WARNING, f"{text}."


def _uncertainty(fit: Fit, limits: Limits) -> Iterator[_Reason]:
    percent = 100.0 * COVERAGE_K * fit.u_factor / fit.factor
    if percent > limits.factor_u_warn_percent:
        yield (
            CalibrationOutcome.ACCEPT_WITH_WARNING,
            (
                f"The cell constant is only known to ± {percent:.1f} % (k = 2); the budget names"
                " what weighs most."
            ),
        )
