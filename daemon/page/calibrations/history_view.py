"""The history of a probe's calibrations as its page shows it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import tzinfo

from daemon.local_time import local_iso
from daemon.mixing.probe_events import ComparedPoint
from daemon.page.blocks import short
from daemon.page.calibrations.answers import (
    DriftAnswer,
    HistoryAnswer,
    ProbeAnswer,
    RecordAnswer,
    ReferenceUse,
)
from daemon.page.calibrations.figures import (
    K,
    error_text,
    factor_percent_text,
    factor_text,
    offset_text,
    zero_text,
)
from daemon.page.calibrations.verdict_marks import Mark, verdict_mark

KINDS = {
    "calibration": "Calibration",
    "check": "Check",
    "reversion": "Return to an older calibration",
    "settlement": "Settlement of a held calibration",
}
NOTHING = "–"


@dataclass(frozen=True, slots=True)
class PointRow:
    """One point of a record.

    Attributes:
        reference: Its reference.
        lot: Lot and tolerance; empty where there is none.
        found: Error as found.
        left: Error as left.
        agrees: Whether the error as found is within its uncertainty.
    """

    reference: str
    lot: str
    found: str
    left: str
    agrees: bool


@dataclass(frozen=True, slots=True)
class RecordEntry:
    """One record.

    Attributes:
        id: Of the record.
        kind: In words.
        made: When, local time.
        by: Who.
        mark: Its verdict.
        in_force: Whether it is the calibration in force.
        points: Its points.
        adjustment: Labels and figures of the correction; empty for what adjusts nothing.
        uncertainty: Expanded uncertainty of the cell constant, %; a dash where there is none.
        remarks: What else is to be known of it.
        prints: Whether it has a certificate.
    """

    id: str
    kind: str
    made: str
    by: str
    mark: Mark
    in_force: bool
    points: tuple[PointRow, ...]
    adjustment: tuple[tuple[str, str], ...]
    uncertainty: str
    remarks: tuple[str, ...]
    prints: bool


@dataclass(frozen=True, slots=True)
class DriftRow:
    """One row of the drift table.

    Attributes:
        day: When.
        what: A record, or the forecast.
        factor: Cell constant with its interval.
    """

    day: str
    what: str
    factor: str


@dataclass(frozen=True, slots=True)
class ProbeSection:
    """A probe with its history.

    Attributes:
        key: Of its element on the page.
        title: Reservoir and probe.
        reservoir: Name of the reservoir.
        probe: Its name.
        configured: Whether the configuration has it.
        due: When the next calibration and check are due.
        overdue: Whether a calibration is overdue.
        in_force: Id of the calibration in force; empty before the first.
        on_hold: Id of the calibration that is held; empty for none.
        records: Newest first.
        drift: In words.
        drift_rows: The chart as a table.
        drawn: Whether there is a chart.
    """

    key: str
    title: str
    reservoir: str
    probe: str
    configured: bool
    due: str
    overdue: bool
    in_force: str
    on_hold: str
    records: tuple[RecordEntry, ...]
    drift: tuple[str, ...]
    drift_rows: tuple[DriftRow, ...]
    drawn: bool


def probe_section(
    number: int,
    probe: ProbeAnswer,
    answer: HistoryAnswer,
    drift: DriftAnswer,
    title: str,
    zone: tzinfo,
) -> ProbeSection:
    """Return a probe with its history.

    Args:
        number: Of its section on the page.
        probe: The probe.
        answer: Of its history.
        drift: Of the probe.
        title: What people call its reservoir.
        zone: Of the station.
    """
    check = f" The next check is due on {probe.check_by}." if probe.check_by else ""
    return ProbeSection(
        f"probe-{number}",
        short(f"{title}, probe {probe.probe}"),
        probe.reservoir,
        probe.probe,
        probe.configured,
        f"{probe.sentence}{check}",
        probe.overdue,
        probe.in_force or "",
        probe.on_hold or "",
        tuple(record_entry(each, zone) for each in answer.records),
        drift.sentences,
        drift_rows(drift, zone),
        bool(drift.measured),
    )


def record_entry(record: RecordAnswer, zone: tzinfo) -> RecordEntry:
    """Return one record.

    Args:
        record: The record.
        zone: Of the station.
    """
    adjustment = record.adjustment
    return RecordEntry(
        record.id,
        KINDS.get(record.kind_, record.kind_),
        local_iso(record.made_at, zone),
        short(record.by),
        verdict_mark(record.verdict),
        record.in_force,
        tuple(_points(record)),
        ()
        if adjustment is None
        else (
            ("cell constant", f"{factor_text(adjustment)}{_change(record)}"),
            ("zero", zero_text(adjustment)),
            ("temperature", offset_text(adjustment)),
        ),
        NOTHING if adjustment is None else factor_percent_text(adjustment),
        tuple(short(each) for each in _remarks(record)),
        record.kind_ in ("calibration", "check"),
    )


def _change(record: RecordAnswer) -> str:
    return "" if record.change_percent is None else f" ({record.change_percent:+z.2f} %)"


def _points(record: RecordAnswer) -> list[PointRow]:
    found = {each.point: each for each in record.as_found}
    left = {each.point: each for each in record.as_left}
    rows = [
        PointRow(
            short(each.name),
            _lot(each),
            _error(found.get(each.point)),
            _error(left.get(each.point)) if not record.as_left_measured else NOTHING,
            agrees=each.point not in found or found[each.point].agrees,
        )
        for each in record.references
    ]
    if record.as_left_measured:
        rows += [
            PointRow(short(each.reference), "measured again", NOTHING, _error(each), each.agrees)
            for each in record.as_left
        ]
    return rows


def _error(point: ComparedPoint | None) -> str:
    return NOTHING if point is None else error_text(point)


def _lot(reference: ReferenceUse) -> str:
    if not reference.lot:
        return ""
    tolerance = reference.tolerance_percent
    stated = "" if tolerance is None else f" ± {tolerance:g} %"
    return short(f"lot {reference.lot}{stated}")


def _remarks(record: RecordAnswer) -> list[str]:
    found = []
    if record.kind_ == "check":
        found.append(f"Of {record.about}.")
    elif record.about:
        found.append(f"About {record.about}.")
    if record.thermometer:
        found.append(f"Reference thermometer: {record.thermometer}.")
    if record.repair:
        found.append(f"Before it: {record.repair}.")
    found += record.reasons
    found += [f"Gone on in spite of: {each}" for each in record.overridden]
    return found


def drift_rows(drift: DriftAnswer, zone: tzinfo) -> tuple[DriftRow, ...]:
    """Return the drift chart as a table: what was measured, then the forecast by months."""
    measured = [
        DriftRow(
            local_iso(each.at, zone),
            f"{KINDS.get(each.kind_, each.kind_)} {each.id}",
            f"{each.factor:.4f} ± {K * each.factor_u:.4f}",
        )
        for each in drift.measured
    ]
    months = [*drift.by_records[::10], *drift.by_records[-1:]]
    ahead = [
        DriftRow(day, "Expected by all records", f"{factor:.4f} ± {K * u:.4f}")
        for day, (factor, u) in {each.day: (each.factor, each.factor_u) for each in months}.items()
    ]
    return (*measured, *ahead)
