"""The certificate of one calibration or check as plain data: facts, tables and drift.

How it looks is for whoever prints it; every cell is text, and times are moments.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from calibration.acceptance import CalibrationOutcome
from calibration.ageing import rate
from calibration.as_found import PointError
from calibration.drift import Rate
from calibration.due_dates import DriftForecast, MeasuredFactor, factor_forecast, factors, zeros
from calibration.gum import COVERAGE_K, Row
from calibration.history import in_force, moment
from calibration.model import NEVER_CALIBRATED
from calibration.points import Capture
from calibration.record import CalibrationRecord, CheckRecord, Record
from calibration.references import Reference

NO_VALUE = "–"
CONCLUSIONS = {
    CalibrationOutcome.ACCEPT: "Accepted",
    CalibrationOutcome.ACCEPT_WITH_WARNING: "Accepted with a warning",
    CalibrationOutcome.HOLD: "On hold: it contradicts the calibration in force",
    CalibrationOutcome.REFUSE: "Rejected: not in force",
}
ACCEPTED = (CalibrationOutcome.ACCEPT, CalibrationOutcome.ACCEPT_WITH_WARNING)


@dataclass(frozen=True, slots=True)
class ReportTable:
    """Rows under a heading.

    Attributes:
        title: Heading.
        note: What holds for all of it.
        head: Of each column.
        rows: Cells, as many in each as columns.
        outside: Numbers of the rows that are outside their limits, which their cells also say.
    """

    title: str
    note: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    outside: frozenset[int] = frozenset()


@dataclass(frozen=True, slots=True)
class Drift:
    """How a cell constant has moved.

    Attributes:
        measured: Its values, one or more, in order of time.
        ahead: Trend and limits; None where there are too few values.
        sentences: What follows from them.
    """

    measured: tuple[MeasuredFactor, ...]
    ahead: DriftForecast | None
    sentences: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Certificate:
    """The content of the certificate of one calibration or check.

    Attributes:
        kind: "Calibration" or "Check".
        probe: Name of the probe.
        id: Of the record.
        conclusion: In a word or two.
        agrees: Whether the calibration is accepted, or the check agrees.
        reasons: Sentences that lead to it.
        began: When; None where not recorded.
        finished: When.
        facts: Names and what they are; none is empty.
        tables: In their order.
        drift: Of the probe until then; None before any value.
        overridden: Warnings in spite of which it was continued.
        performed_by: Who performed it.
    """

    kind: str
    probe: str
    id: str
    conclusion: str
    agrees: bool
    reasons: tuple[str, ...]
    began: datetime | None
    finished: datetime
    facts: tuple[tuple[str, str], ...]
    tables: tuple[ReportTable, ...]
    drift: Drift | None
    overridden: tuple[str, ...]
    performed_by: str


def certificate(
    record: CalibrationRecord | CheckRecord, records: Sequence[Record] = ()
) -> Certificate:
    """Return the certificate of one calibration or check.

    Args:
        record: What it is about.
        records: The history of the probe up to it, for the drift; may hold it.
    """
    return (
        _of_check(record, records)
        if isinstance(record, CheckRecord)
        else _of_calibration(record, records)
    )


def _of_calibration(record: CalibrationRecord, records: Sequence[Record]) -> Certificate:
    return Certificate(
        "Calibration",
        record.probe,
        record.id,
        CONCLUSIONS[record.verdict.outcome],
        record.verdict.outcome in ACCEPTED,
        tuple(record.verdict.reasons),
        moment(record.started_at) if record.started_at else None,
        moment(record.made_at),
        _present(_instrument(record)),
        (
            _references([capture.reference for capture in record.captures]),
            _conditions(record.captures),
            *_comparison("As found", record.as_found, _under(record.before_id)),
            *_comparison("As left", record.as_left, _left_note(record)),
            *_results(record),
            _budget(record),
        ),
        _drift(record.probe, record.made_at, (*records, record)),
        tuple(record.overridden),
        record.calibration.by,
    )


def _of_check(record: CheckRecord, records: Sequence[Record]) -> Certificate:
    return Certificate(
        "Check",
        record.probe,
        record.id,
        "Agrees with its references" if record.agrees else "Does not agree: calibrate the probe",
        record.agrees,
        tuple(record.sentences),
        None,
        moment(record.made_at),
        (("Calibration checked", record.calibration_id), ("Adjusted", "nothing")),
        (
            _references([capture.reference for capture in record.captures]),
            _conditions(record.captures),
            *_comparison("As found", record.found, _under(record.calibration_id)),
        ),
        _drift(record.probe, record.made_at, (*records, record)),
        tuple(record.overridden),
        record.by,
    )


def _present(pairs: Sequence[tuple[str, str]]) -> tuple[tuple[str, str], ...]:
    return tuple((name, value) for name, value in pairs if value)


def _instrument(record: CalibrationRecord) -> list[tuple[str, str]]:
    instrument, thermometer = record.instrument, record.thermometer
    by = ""
    if thermometer is not None:
        by = f"{thermometer.name}, ± {thermometer.tolerance_C:g} °C (k = 2)"
    return [
        ("Next due", record.due_on),
        ("Previous calibration", record.before_id),
        ("Instrument", f"{instrument.probe}, span {instrument.span_mS_cm:g} mS/cm"),
        ("Resolution", f"{instrument.resolution_mS_cm:g} mS/cm, {instrument.resolution_C:g} °C"),
        ("Assumed of the probe (configuration)", instrument.assumed()),
        ("Repair before", record.repair),
        ("Reference thermometer", by),
        ("Method", record.calibration.method),
    ]


def _references(references: Sequence[Reference]) -> ReportTable:
    rows = []
    for number, reference in enumerate(references, start=1):
        solution = reference.bottle
        columns = [""] * 5
        if solution is not None:
            tolerance = f"± {solution.tolerance_percent:g} % ({solution.tolerance.value})"
            lot, certified = solution.lot, solution.certificate
            columns = [lot, tolerance, certified, solution.expiry, solution.opened_on]
        rows.append((str(number), reference.name, *(each or NO_VALUE for each in columns)))
    head = ("Point", "Reference", "Lot", "Stated tolerance", "Certificate", "Expiry", "Opened")
    return ReportTable("References", "", head, tuple(rows))


def _conditions(captures: Sequence[Capture]) -> ReportTable:
    rows = tuple(
        (
            str(capture.number),
            f"{capture.raw_mS_cm:.4f}",
            f"{capture.scatter_mS_cm:.4f}",
            f"{capture.raw_C:.3f}",
            NO_VALUE if capture.thermometer_C is None else f"{capture.thermometer_C:.2f}",
            f"{capture.effective_samples:.0f}",
            f"{capture.waited_s:.0f}",
        )
        for capture in captures
    )
    head = (
        "Point",
        "Indicated, mS/cm",
        "Standard deviation, mS/cm",
        "Indicated, °C",
        "Thermometer, °C",
        "Samples",
        "Settling time, s",
    )
    return ReportTable("Conditions", "as indicated, before any correction", head, rows)


def _under(calibration: str) -> str:
    return "without calibration" if calibration == NEVER_CALIBRATED else f"under {calibration}"


def _left_note(record: CalibrationRecord) -> str:
    if record.as_left_measured:
        return "measured again under the new calibration"
    return "the same points under the new calibration; not measured again"


def _comparison(title: str, founds: Sequence[PointError], under: str) -> tuple[ReportTable, ...]:
    """Return the table of what was compared; none where nothing was."""
    if not founds:
        return ()
    rows = tuple(
        (
            str(each.number),
            each.name,
            f"{each.temperature_C:.2f}",
            f"{each.assigned_mS_cm:.4f}",
            f"{each.indicated_mS_cm:.4f}",
            NO_VALUE if each.error_percent is None else f"{each.error_percent:+z.2f} %",
            f"{each.error_mS_cm:+z.4f} ± {COVERAGE_K * each.u_mS_cm:.4f}",
            f"{each.en:+z.2f}" + ("" if each.agrees else ", disagrees"),
        )
        for each in founds
    )
    head = (
        "Point",
        "Reference",
        "°C",
        "Reference value",
        "Indicated value",
        "Error",
        "Error, mS/cm",
        "E_n",
    )
    note = f"{under}; mS/cm, ± with k = 2; beyond ±1 of E_n the two disagree"
    outside = frozenset(number for number, each in enumerate(founds) if not each.agrees)
    return (ReportTable(title, note, head, rows, outside),)


def _results(record: CalibrationRecord) -> tuple[ReportTable, ReportTable]:
    calibration = record.calibration
    rows = (
        (
            "Factor (relative cell constant)",
            f"{calibration.factor:.5f}",
            f"{COVERAGE_K * calibration.u_factor:.5f}",
        ),
        (
            "Zero, mS/cm",
            f"{calibration.zero_mS_cm:+z.4f}",
            f"{COVERAGE_K * calibration.u_zero_mS_cm:.4f}",
        ),
        (
            "Temperature offset, °C",
            f"{calibration.temperature_offset_C:+z.3f}",
            f"{COVERAGE_K * calibration.u_offset_C:.3f}",
        ),
    )
    points = tuple(
        (
            str(point.number),
            point.name,
            f"{point.assigned_mS_cm:.4f} ± {COVERAGE_K * point.assigned_u_mS_cm:.4f}",
            f"{point.residual_mS_cm:+z.4f}",
            f"{point.normalised:+z.2f}",
            point.source,
        )
        for point in record.fit.residuals
    )
    formula = "conductivity = factor × (indicated − zero); temperature = indicated + offset"
    head = (
        "Point",
        "Reference",
        "Reference value, mS/cm (k = 2)",
        "Residual, mS/cm",
        "Normalised",
        "Source",
    )
    return (
        ReportTable("Adjustment", formula, ("Quantity", "Value", "± (k = 2)"), rows),
        ReportTable("Traceability and residuals", "", head, points),
    )


def _budget(record: CalibrationRecord) -> ReportTable:
    rows = tuple(_budget_row(row, record.calibration.factor) for row in record.budget)
    calibration = record.calibration
    degrees = record.fit.degrees_of_freedom
    combined = (
        "Combined standard uncertainty",
        *[""] * 5,
        f"{100 * calibration.u_factor / calibration.factor:.4f}",
        f"{calibration.u_zero_mS_cm:.5f}",
        f"{calibration.u_offset_C:.4f}",
    )
    head = (
        "Source of uncertainty",
        "Value",
        "Unit",
        "Distribution",
        "Divisor",
        "Sensitivity of factor",
        "Factor, %",
        "Zero, mS/cm",
        "Offset, °C",
    )
    free = "infinite" if degrees is None else f"{degrees:.0f}"
    note = (
        "JCGM 100:2008 (GUM); the last three columns are contributions with their sign, so that"
        f" common sources show. Coverage factor k = {COVERAGE_K:g}, about 95 %; effective"
        f" degrees of freedom of the factor: {free}"
    )
    return ReportTable("Uncertainty budget", note, head, (*rows, combined))


def _budget_row(row: Row, factor: float) -> tuple[str, ...]:
    source, (to_factor, to_zero, to_offset) = row.cause, row.contribution
    return (
        source.name,
        f"{source.value:.3g}",
        source.unit,
        source.distribution,
        f"{source.divisor:.3f}",
        f"{row.sensitivity[0]:.3g}",
        f"{100 * to_factor / factor:+z.4f}",
        f"{to_zero:+z.5f}",
        f"{to_offset:+z.4f}",
    )


def _drift(probe: str, made_at: str, records: Sequence[Record]) -> Drift | None:
    until = moment(made_at)
    records_until = tuple({record.id: record for record in records}.values())
    records_until = tuple(record for record in records_until if moment(record.made_at) <= until)
    measured = factors(records_until, probe)
    if not measured:
        return None
    day = measured[-1].at.date().isoformat()
    sentences = [_outlook(probe, records_until, day)]
    learned = rate(records_until, probe, made_at)
    if learned is not None:
        sentences.append(_learned(learned))
    zero = zeros(records_until, probe)
    if zero:
        low, high = min(z.value for z in zero), max(z.value for z in zero)
        sentences.append(f"Zero so far from {low:+z.4f} to {high:+z.4f} mS/cm.")
    return Drift(tuple(measured), factor_forecast(records_until, probe, day), tuple(sentences))


def _learned(rate_: Rate) -> str:
    percent, u = 3000.0 * rate_.per_day, 3000.0 * COVERAGE_K * rate_.u
    return (
        f"Uncertainty grows by a drift of {percent:+z.2f} ± {u:.2f} % in 30 days (k = 2): what is"
        " assumed of the probe, with what calibrations and checks have shown."
    )


def _outlook(probe: str, records: Sequence[Record], day: str) -> str:
    ahead = factor_forecast(records, probe, day)
    if in_force(records, probe, f"{day}T23:59:59+00:00") is None or ahead is None:
        return "Too few values for a drift."
    rate = f"{3000 * ahead.per_day:+z.2f} ± {3000 * COVERAGE_K * ahead.per_day_u:.2f} % in 30 days"
    if not ahead.significant:
        return f"The cell constant drifts by {rate} (k = 2), which is not significant."
    ends = [each.isoformat() if each else "never" for each in (ahead.earliest, ahead.latest)]
    on = ahead.leaves_on.isoformat() if ahead.leaves_on else "not within ten years"
    return (
        f"The cell constant drifts by {rate} (k = 2) and leaves its limits: {on}"
        f" (interval {ends[0]} to {ends[1]})."
    )
