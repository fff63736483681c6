"""Records of calibrations, and what is due, as the address about them answers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from calibration.acceptance import CalibrationOutcome
from calibration.record import CalibrationRecord, CheckRecord, Record, Reversion, Settlement
from daemon.mixing.probe.calibration_history import Calibrations, name_of
from daemon.mixing.probe.routine_events import adjustment_of, compared
from daemon.page.calibrations.answers import (
    HistoryAnswer,
    ProbeAnswer,
    RecordAnswer,
    ReferenceUse,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from datetime import datetime

    from calibration.points import Capture
    from daemon.page.view import DisplaySettings

VERDICTS = {
    CalibrationOutcome.ACCEPT: "accepted",
    CalibrationOutcome.ACCEPT_WITH_WARNING: "warning",
    CalibrationOutcome.HOLD: "held",
    CalibrationOutcome.REFUSE: "refused",
}
NEVER = "It was never calibrated; it counts as configured until it is."
RENAMED = (
    "The configuration has no probe of this name now. Its records stay, and correct no reading:"
    " a probe that was renamed is to be calibrated under its new name."
)


def known_of(records: Iterable[Record], settings: Sequence[DisplaySettings]) -> Calibrations:
    """Return the records with what the configuration assumes of each probe."""
    drifts = {
        name_of(reservoir.name, probe.name): probe.drift_percent_30d
        for reservoir in settings
        for probe in reservoir.probes
    }
    return Calibrations(list(records), drifts)


def history(
    known: Calibrations,
    settings: Sequence[DisplaySettings],
    at: datetime,
    reservoir: str | None = None,
    probe: str | None = None,
    limit: int = 200,
) -> HistoryAnswer:
    """Return probes and records, the newest record first.

    Args:
        known: All records.
        settings: Of the reservoirs.
        at: Now.
        reservoir: Of this one alone; None for all.
        probe: Likewise.
        limit: Most records.
    """
    names = [
        name
        for name in probe_names(known, settings)
        if reservoir in (None, name[0]) and probe in (None, name[1])
    ]
    standings = {name_of(*name): standing_of(known, name_of(*name)) for name in names}
    own = [record for record in reversed(known.records) if record.probe in standings]
    return HistoryAnswer(
        tuple(probe_answer(known, settings, at, *name) for name in names),
        tuple(record_answer(record, standings[record.probe]) for record in own[:limit]),
        len(own) > limit,
    )


def probe_names(known: Calibrations, settings: Sequence[DisplaySettings]) -> list[tuple[str, str]]:
    """Return reservoir and name of each probe: of the configuration, then of records alone."""
    configured = [(each.name, probe.name) for each in settings for probe in each.probes]
    recorded = (name_parts(record.probe) for record in known.records)
    return [*dict.fromkeys([*configured, *recorded])]


def name_parts(name: str) -> tuple[str, str]:
    """Return reservoir and probe of a name in the records."""
    reservoir, _, probe = name.partition("/")
    return reservoir, probe


def probe_answer(
    known: Calibrations, settings: Sequence[DisplaySettings], at: datetime, place: str, probe: str
) -> ProbeAnswer:
    """Return a probe, and how its calibration is."""
    name = name_of(place, probe)
    configured = any(
        each.name == place and probe in [one.name for one in each.probes] for each in settings
    )
    now, waiting = known.in_force(name), known.on_hold(name)
    due = known.due(name, at) if configured else None
    sentence = NEVER if configured else RENAMED
    return ProbeAnswer(
        place,
        probe,
        configured,
        len(known.of(name)),
        None if now is None else now.id,
        None if waiting is None else waiting.id,
        None if due is None else str(due.calibrate_by),
        None if due is None else str(due.check_by),
        due is not None and due.overdue,
        sentence if due is None else due.sentence,
    )


@dataclass(frozen=True, slots=True)
class Standing:
    """What the records of a probe say of one another.

    Attributes:
        in_force: Id of the calibration in force; empty before the first.
        on_hold: Id of the calibration that is held; empty where none is.
        factors: Cell constant of each calibration, by its id.
    """

    in_force: str
    on_hold: str
    factors: Mapping[str, float]


def standing_of(known: Calibrations, name: str) -> Standing:
    """Return what the records of a probe say of one another."""
    now, waiting = known.in_force(name), known.on_hold(name)
    return Standing(
        "" if now is None else now.id,
        "" if waiting is None else waiting.id,
        {
            each.id: each.calibration.factor
            for each in known.of(name)
            if isinstance(each, CalibrationRecord)
        },
    )


def record_answer(record: Record, standing: Standing) -> RecordAnswer:
    """Return one record.

    Args:
        record: The record.
        standing: Of its probe.
    """
    if isinstance(record, CalibrationRecord):
        return _calibration(record, standing)
    place, probe = name_parts(record.probe)
    if isinstance(record, CheckRecord):
        return RecordAnswer(
            record.id,
            record.kind,
            place,
            probe,
            record.made_at,
            record.by,
            "agrees" if record.agrees else "disagrees",
            in_force=False,
            on_hold=False,
            about=record.calibration_id,
            references=_references(record.captures),
            as_found=tuple(compared(each) for each in record.found),
            reasons=record.sentences,
            overridden=record.overridden,
        )
    about, verdict, reason = _of_other(record)
    return RecordAnswer(
        record.id,
        record.kind,
        place,
        probe,
        record.made_at,
        record.by,
        verdict,
        in_force=False,
        on_hold=False,
        about=about,
        repair=record.repair if isinstance(record, Settlement) else "",
        reasons=(reason,) if reason else (),
    )


def _of_other(record: Reversion | Settlement) -> tuple[str, str, str]:
    if isinstance(record, Reversion):
        return record.to_id, "returned", record.reason
    return record.calibration_id, "taken" if record.in_force else "dropped", record.why


def _calibration(record: CalibrationRecord, standing: Standing) -> RecordAnswer:
    # Before the first the factor is 1: the value as it is.
    before = standing.factors.get(record.before_id, 1.0)
    place, probe = name_parts(record.probe)
    thermometer = record.thermometer
    return RecordAnswer(
        record.id,
        record.kind,
        place,
        probe,
        record.made_at,
        record.calibration.by,
        VERDICTS[record.verdict.outcome],
        in_force=standing.in_force == record.id,
        on_hold=standing.on_hold == record.id,
        references=_references(record.captures),
        thermometer=""
        if thermometer is None
        else f"{thermometer.name}, ± {thermometer.tolerance_C:g} °C",
        as_found=tuple(compared(each) for each in record.as_found),
        as_left=tuple(compared(each) for each in record.as_left),
        as_left_measured=record.as_left_measured,
        adjustment=adjustment_of(record.calibration),
        change_percent=100.0 * (record.calibration.factor / before - 1.0),
        due_on=record.due_on,
        repair=record.repair,
        reasons=record.verdict.reasons,
        overridden=record.overridden,
    )


def _references(captures: Sequence[Capture]) -> tuple[ReferenceUse, ...]:
    return tuple(
        ReferenceUse(
            capture.number,
            capture.reference.name,
            "" if capture.reference.bottle is None else capture.reference.bottle.lot,
            None
            if capture.reference.bottle is None
            else capture.reference.bottle.tolerance_percent,
            "" if capture.reference.bottle is None else capture.reference.bottle.expiry,
        )
        for capture in captures
    )
