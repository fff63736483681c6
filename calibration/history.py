"""Every calibration and check is kept: which one was in force when, and which is held.

Records are only ever added.  To go back is a new record that points to an older one.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from typing import TypeGuard

from calibration.acceptance import CalibrationOutcome
from calibration.record import CalibrationRecord, Record, Reversion, Settlement


class UnknownCalibration(ValueError):  # noqa: N818 - its name says what is the matter
    """There is no such calibration to go back to; the text lists those there are."""


def moment(text: str) -> datetime:
    """Read the time of a record.

    Raises:
        ValueError: It is no ISO 8601 time, or has no offset from UTC.
    """
    at = datetime.fromisoformat(text)
    if at.tzinfo is None:
        raise ValueError(f"the time {text!r} of a calibration record must say its offset from UTC")
    return at.astimezone(UTC)


def in_force(records: Sequence[Record], probe: str, at: str) -> CalibrationRecord | None:
    """Return the calibration of a probe that was in force at a time.

    Args:
        records: All of them, in the order they were written.
        probe: Its name.
        at: ISO 8601 with offset.

    Returns:
        None where there was none yet; then the raw values stand.

    Raises:
        UnknownCalibration: A reversion points to a calibration that is not among them.
    """
    until = moment(at)
    until_then = [each for each in in_order(records, probe) if moment(each.made_at) <= until]
    return chosen(until_then, records, probe)


def chosen(
    until_then: Iterable[Record], records: Sequence[Record], probe: str
) -> CalibrationRecord | None:
    """Return the calibration that is in force after some records; None where there is none yet.

    Args:
        until_then: Records of the probe up to then, in the order that counts.
        records: All of them, to find one that is pointed to.
        probe: Its name.

    Raises:
        UnknownCalibration: As `in_force`.
    """
    current: CalibrationRecord | None = None
    for record in until_then:
        if isinstance(record, CalibrationRecord) and record.usable:
            current = record
        elif isinstance(record, Reversion):
            current = find(records, probe, record.to_id)
        elif isinstance(record, Settlement) and record.in_force:
            current = find(records, probe, record.calibration_id)
    return current


def on_hold(until_then: Iterable[Record]) -> CalibrationRecord | None:
    """Return the calibration that is held after some records of a probe; None where none is."""
    waiting: CalibrationRecord | None = None
    for record in until_then:
        if (
            isinstance(record, CalibrationRecord)
            and record.verdict.outcome is not CalibrationOutcome.REFUSE
        ):
            waiting = record if record.on_hold else None
        elif isinstance(record, Reversion | Settlement):
            waiting = None
    return waiting


def find(records: Sequence[Record], probe: str, calibration_id: str) -> CalibrationRecord:
    """Return one calibration that may be in force.

    Raises:
        UnknownCalibration: There is none of that id, or it was refused.
    """
    settled = {each.calibration_id for each in records if _is_taken(each)}
    usable = [
        record
        for record in records
        if isinstance(record, CalibrationRecord)
        and record.probe == probe
        and (record.usable or record.id in settled)
    ]
    for record in usable:
        if record.id == calibration_id:
            return record
    until_then = ", ".join(record.id for record in usable) or "none"
    raise UnknownCalibration(
        f"probe {probe} has no accepted calibration {calibration_id!r}; there are: {until_then}"
    )


def _is_taken(record: Record) -> TypeGuard[Settlement]:
    return isinstance(record, Settlement) and record.in_force


def revert(records: Sequence[Record], reversion: Reversion) -> tuple[Record, ...]:
    """Return the records with a return to an older calibration added.

    Raises:
        UnknownCalibration: As `find`.
    """
    find(records, reversion.probe, reversion.to_id)
    return add(records, reversion)


def add(records: Sequence[Record], record: Record) -> tuple[Record, ...]:
    """Return the records with one more; none is ever changed.

    Raises:
        ValueError: A record of that id is there already, or its time cannot be read.
    """
    moment(record.made_at)
    if any(each.id == record.id for each in records):
        raise ValueError(f"there is a record {record.id!r} already, and none is overwritten")
    return (*records, record)


def in_order(records: Sequence[Record], probe: str) -> list[Record]:
    """Return the records of a probe by time; of the same time, as they were written."""
    own = [record for record in records if record.probe == probe]
    return sorted(own, key=lambda record: moment(record.made_at))
