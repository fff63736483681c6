"""The printable record: one page of HTML that needs nothing else, on A4 or Letter."""

from __future__ import annotations

from collections.abc import Sequence

from calibration.acceptance import Outcome
from calibration.ageing import rate
from calibration.as_found import Found
from calibration.chart import drift_chart
from calibration.drift import Rate
from calibration.due_dates import factor_forecast, factors, zeros
from calibration.gum import COVERAGE_K, Row
from calibration.history import in_force, moment
from calibration.markup import Markup, element, facts, table
from calibration.points import Capture
from calibration.record import CalibrationRecord, CheckRecord, Record
from calibration.references import Reference

_STYLE = """
@page { margin: 14mm; }
:root { color-scheme: light; }
body { font: 10.5pt/1.4 system-ui, sans-serif; color: #111; background: #fff;
  max-width: 182mm; margin: 0 auto; padding: 6mm; }
h1 { font-size: 16pt; margin: 0 0 2mm; }
h2 { font-size: 12pt; margin: 6mm 0 2mm; border-bottom: 0.4pt solid #555; break-after: avoid; }
dl { display: grid; grid-template-columns: 1fr 1fr; gap: 1mm 8mm; margin: 0; }
dt { color: #444; font-size: 8.5pt; }
dd { margin: 0; overflow-wrap: anywhere; }
.verdict { border: 1.2pt solid #111; padding: 2mm 4mm; margin: 4mm 0; }
.verdict strong { font-size: 13pt; }
table { border-collapse: collapse; width: 100%; font-size: 9pt; margin: 2mm 0;
  font-variant-numeric: tabular-nums; }
caption { text-align: left; font-size: 8.5pt; color: #444; }
th, td { border-bottom: 0.3pt solid #999; padding: 0.6mm 2mm 0.6mm 0; text-align: left;
  vertical-align: top; }
thead { display: table-header-group; }
tr, svg, .verdict { break-inside: avoid; }
svg { width: 100%; height: auto; font-size: 9px; }
svg .axis { stroke: #333; } svg .limit { stroke: #333; stroke-dasharray: 2 3; }
svg .trend { stroke: #555; stroke-dasharray: 8 4; } svg .bar { stroke: #111; }
svg .mark { fill: #111; }
.sign { display: grid; grid-template-columns: 1fr 1fr; gap: 12mm; margin-top: 12mm;
  break-inside: avoid; }
.sign p { border-top: 0.6pt solid #111; padding-top: 1mm; }
@media print { body { padding: 0; max-width: none; } }
"""

_WORDS = {
    Outcome.ACCEPT: "Accepted",
    Outcome.ACCEPT_WITH_WARNING: "Accepted with a warning",
    Outcome.HOLD: "Held: it contradicts the calibration in force",
    Outcome.REFUSE: "Refused: not in use",
}


def report(record: CalibrationRecord | CheckRecord, records: Sequence[Record] = ()) -> str:
    """Return the page of one calibration or check.

    Args:
        record: What it is about.
        records: The history of the probe up to it, for the drift chart; may hold it.
    """
    if isinstance(record, CheckRecord):
        return _page(f"Check of probe {record.probe}", _check(record, records))
    return _page(f"Calibration of probe {record.probe}", _calibration(record, records))


def _page(title: str, inside: list[Markup]) -> str:
    head = element(
        "head",
        element("meta", charset="utf-8"),
        element("meta", name="viewport", content="width=device-width"),
        element("title", title),
        # The style is ours and holds nothing from a record.
        element("style", Markup(_STYLE)),
    )
    body = element("body", element("h1", title), inside)
    return "<!doctype html>\n" + element("html", head, body, lang="en") + "\n"


def _calibration(record: CalibrationRecord, records: Sequence[Record]) -> list[Markup]:
    return [
        _verdict(_WORDS[record.verdict.outcome], record.verdict.reasons),
        _about(record),
        *_references([capture.reference for capture in record.captures]),
        *_conditions(record.captures),
        *_founds("As found", record.as_found, f"Under calibration {record.before_id}"),
        *_founds("As left", record.as_left, _left_caption(record)),
        *_results(record),
        *_budget(record),
        *_history(record.probe, record.made_at, (*records, record)),
        *_overridden(record.overridden),
        _signatures(record.calibration.by),
    ]


def _check(record: CheckRecord, records: Sequence[Record]) -> list[Markup]:
    words = "Agrees with its references" if record.agrees else "Does not agree: calibrate it"
    about = facts(
        [
            ("Record", record.id),
            ("Made at (UTC)", record.made_at),
            ("By", record.by),
            ("Calibration checked", record.calibration_id),
            ("Adjusted", "nothing"),
        ]
    )
    return [
        _verdict(words, record.sentences),
        about,
        *_references([capture.reference for capture in record.captures]),
        *_conditions(record.captures),
        *_founds("As found", record.found, f"Under calibration {record.calibration_id}"),
        *_history(record.probe, record.made_at, (*records, record)),
        *_overridden(record.overridden),
        _signatures(record.by),
    ]


def _verdict(words: str, reasons: Sequence[str]) -> Markup:
    sentences = [element("p", reason) for reason in reasons]
    return element("div", element("strong", words), sentences, class_="verdict")


def _about(record: CalibrationRecord) -> Markup:
    instrument, thermometer = record.instrument, record.thermometer
    told = ""
    if thermometer is not None:
        told = f"{thermometer.name}, ± {thermometer.tolerance_C:g} °C (k = 2)"
    return facts(
        [
            ("Record", record.id),
            ("Begun at (UTC)", record.started_at),
            ("Made at (UTC)", record.made_at),
            ("By", record.calibration.by),
            ("Next due", record.due_on),
            ("Previous calibration", record.before_id),
            ("Instrument", f"{instrument.probe}, span {instrument.span_mS_cm:g} mS/cm"),
            (
                "Resolution",
                f"{instrument.resolution_mS_cm:g} mS/cm, {instrument.resolution_C:g} °C",
            ),
            ("Assumed of the probe (its configuration)", instrument.assumed()),
            ("Repair before", record.repair),
            ("Reference thermometer", told),
            ("Method", record.calibration.method),
        ]
    )


def _references(references: Sequence[Reference]) -> list[Markup]:
    rows = []
    for number, reference in enumerate(references, start=1):
        bottle = reference.bottle
        given = ["–"] * 5
        if bottle is not None:
            tolerance = f"± {bottle.tolerance_percent:g} % ({bottle.tolerance.value})"
            given = [bottle.lot, tolerance, bottle.certificate, bottle.expiry, bottle.opened_on]
        rows.append([str(number), reference.name, *(each or "–" for each in given)])
    head = ["Point", "Reference", "Lot", "Stated tolerance", "Certificate", "Expiry", "Opened"]
    return [element("h2", "References"), table(head, rows, "What the probe was compared with")]


def _conditions(captures: Sequence[Capture]) -> list[Markup]:
    rows = [
        [
            str(capture.number),
            f"{capture.raw_mS_cm:.4f}",
            f"{capture.scatter_mS_cm:.4f}",
            f"{capture.raw_C:.3f}",
            "–" if capture.thermometer_C is None else f"{capture.thermometer_C:.2f}",
            f"{capture.effective_samples:.0f}",
            f"{capture.waited_s:.0f}",
        ]
        for capture in captures
    ]
    head = [
        "Point",
        "Indicated, mS/cm",
        "Standard deviation",
        "Indicated, °C",
        "Thermometer, °C",
        "Samples",
        "Settling time, s",
    ]
    return [element("h2", "Conditions"), table(head, rows, "As indicated, before any correction")]


def _left_caption(record: CalibrationRecord) -> str:
    if record.as_left_measured:
        return "Measured once more under the new calibration"
    return "The same points under the new calibration; not measured again"


def _founds(title: str, founds: Sequence[Found], caption: str) -> list[Markup]:
    rows = [
        [
            str(each.number),
            each.name,
            f"{each.temperature_C:.2f}",
            f"{each.assigned_mS_cm:.4f}",
            f"{each.indicated_mS_cm:.4f}",
            "–" if each.error_percent is None else f"{each.error_percent:+z.2f} %",
            f"{each.error_mS_cm:+z.4f} ± {COVERAGE_K * each.u_mS_cm:.4f}",
            f"{each.en:+z.2f}",
        ]
        for each in founds
    ]
    head = ["Point", "Reference", "°C", "Assigned", "Indicated", "Error", "Error, mS/cm", "E_n"]
    note = f"{caption}; mS/cm, expanded uncertainty with k = 2; beyond ±1 E_n they disagree"
    return [element("h2", title), table(head, rows, note)]


def _results(record: CalibrationRecord) -> list[Markup]:
    made = record.calibration
    rows = [
        [
            "Factor (relative cell constant)",
            f"{made.factor:.5f}",
            f"{COVERAGE_K * made.u_factor:.5f}",
        ],
        ["Zero, mS/cm", f"{made.zero_mS_cm:+z.4f}", f"{COVERAGE_K * made.u_zero_mS_cm:.4f}"],
        [
            "Temperature offset, °C",
            f"{made.temperature_offset_C:+z.3f}",
            f"{COVERAGE_K * made.u_offset_C:.3f}",
        ],
    ]
    formula = "conductivity = factor × (indicated − zero); temperature = indicated + offset"
    points = [
        [
            str(point.number),
            point.name,
            f"{point.assigned_mS_cm:.4f} ± {COVERAGE_K * point.assigned_u_mS_cm:.4f}",
            f"{point.residual_mS_cm:+z.4f}",
            f"{point.normalised:+z.2f}",
            point.source,
        ]
        for point in record.fit.residuals
    ]
    head = ["Point", "Reference", "Assigned, mS/cm (k = 2)", "Residual", "Normalised", "Source"]
    return [
        element("h2", "Result"),
        table(["Quantity", "Value", "± (k = 2)"], rows, formula),
        table(head, points, "Traceability and residuals, mS/cm"),
    ]


def _budget(record: CalibrationRecord) -> list[Markup]:
    rows = [_budget_row(row, record.calibration.factor) for row in record.budget]
    made = record.calibration
    degrees = record.fit.degrees_of_freedom
    combined = [
        "Combined standard uncertainty",
        *[""] * 5,
        f"{100 * made.u_factor / made.factor:.4f}",
        f"{made.u_zero_mS_cm:.5f}",
        f"{made.u_offset_C:.4f}",
    ]
    head = [
        "Source of uncertainty",
        "Value",
        "Unit",
        "Distribution",
        "Divisor",
        "Sensitivity of factor",
        "Factor, %",
        "Zero, mS/cm",
        "Offset, °C",
    ]
    free = "without end" if degrees is None else f"{degrees:.0f}"
    note = (
        "JCGM 100:2008 (GUM); the last three columns are contributions with their sign, so that"
        f" what they share is seen. Coverage factor k = {COVERAGE_K:g}, about 95 %; effective"
        f" degrees of freedom of the factor: {free}"
    )
    return [element("h2", "Uncertainty budget"), table(head, [*rows, combined], note)]


def _budget_row(row: Row, factor: float) -> list[str]:
    cause, (to_factor, to_zero, to_offset) = row.cause, row.contribution
    return [
        cause.name,
        f"{cause.value:.3g}",
        cause.unit,
        cause.distribution,
        f"{cause.divisor:.3f}",
        f"{row.sensitivity[0]:.3g}",
        f"{100 * to_factor / factor:+z.4f}",
        f"{to_zero:+z.5f}",
        f"{to_offset:+z.4f}",
    ]


def _history(probe: str, made_at: str, records: Sequence[Record]) -> list[Markup]:
    known = tuple({record.id: record for record in records}.values())
    until = moment(made_at)
    known = tuple(record for record in known if moment(record.made_at) <= until)
    measured = factors(known, probe)
    if not measured:
        return []
    day = measured[-1].at.date().isoformat()
    ahead = factor_forecast(known, probe, day)
    parts = [
        element("h2", "Drift"),
        drift_chart(measured, ahead, "Relative cell constant over time, with k = 2 bars"),
        element("p", _outlook(probe, known, day)),
    ]
    learned = rate(known, probe, made_at)
    if learned is not None:
        parts.append(element("p", _learned(learned)))
    zero = zeros(known, probe)
    if zero:
        low, high = min(z.value for z in zero), max(z.value for z in zero)
        parts.append(element("p", f"Zero so far from {low:+z.4f} to {high:+z.4f} mS/cm."))
    return parts


def _learned(rate_: Rate) -> str:
    percent, u = 3000.0 * rate_.per_day, 3000.0 * COVERAGE_K * rate_.u
    return (
        f"Uncertainty grows by a drift of {percent:+z.2f} ± {u:.2f} % in 30 days (k = 2): what is"
        " assumed of the probe, with what calibrations and checks have shown."
    )


def _outlook(probe: str, records: Sequence[Record], day: str) -> str:
    ahead = factor_forecast(records, probe, day)
    if in_force(records, probe, f"{day}T23:59:59+00:00") is None or ahead is None:
        return "Too few values to tell a drift."
    rate = f"{3000 * ahead.per_day:+z.2f} ± {3000 * COVERAGE_K * ahead.per_day_u:.2f} % in 30 days"
    if not ahead.significant:
        return f"The cell constant drifts by {rate} (k = 2), which is no certain drift."
    ends = [each.isoformat() if each else "never" for each in (ahead.earliest, ahead.latest)]
    on = ahead.leaves_on.isoformat() if ahead.leaves_on else "not within ten years"
    return (
        f"The cell constant drifts by {rate} (k = 2) and leaves its limits: {on}"
        f" (interval {ends[0]} to {ends[1]})."
    )


def _overridden(sentences: Sequence[str]) -> list[Markup]:
    if not sentences:
        return []
    items = [element("li", sentence) for sentence in sentences]
    return [element("h2", "Gone on in spite of"), element("ul", items)]


def _signatures(by: str) -> Markup:
    return element(
        "div",
        element("p", f"Performed by: {by}"),
        element("p", "Reviewed by, date:"),
        class_="sign",
    )
