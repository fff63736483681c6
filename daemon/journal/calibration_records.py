"""The records of calibration that a journal holds, and the readings of a point."""

from __future__ import annotations

from typing import TYPE_CHECKING

from calibration.serialisation import from_plain
from calibration.steadiness import Indication
from daemon.entries import JSON, Event, Kind
from daemon.journal.errors import JournalError
from daemon.journal.event_codec import facts_of
from daemon.mixing.events import OtherEvent
from daemon.mixing.probe_events import CalibrationReverted, CalibrationSettled, RecordSaved
from daemon.mixing.service_events import EntryDamaged

if TYPE_CHECKING:
    from calibration.record import Record
    from daemon.entries import Reading
    from daemon.journal.reader import Reader


def calibrations(reader: Reader) -> list[tuple[int, Record]]:
    """Return every record of a calibration, check or reversion with its `seq`, in order.

    Raises:
        JournalError: The journal cannot be read, or a record in it is of another version.
    """
    found = ((seq, record_of(seq, event)) for seq, event in reader.calibrations())
    return [(seq, record) for seq, record in found if record is not None]


def record_of(seq: int, event: Event) -> Record | None:
    """Return the record that an event about a calibration holds; None where it holds none.

    Args:
        seq: Its number in the journal.
        event: The event.

    Raises:
        JournalError: It was changed on the disk, or is of another version.
    """
    if isinstance(event.body, EntryDamaged):
        raise JournalError(
            f"a calibration record (seq {seq}) in the journal was changed on the disk; start"
            " 'brinewright run' again, which puts that journal aside and keeps what is whole"
        )
    record = record_in(event)
    if record is None:
        return None
    try:
        return from_plain(record)
    except ValueError as exc:
        name = facts_of(event.body).get("id", "")
        raise JournalError(
            f"the calibration record {name!r} (seq {seq}) in the journal cannot be read;"
            " install the version that wrote it again"
        ) from exc


def record_in(event: Event) -> JSON:
    """Return the record of a calibration, check or reversion that an event carries, else None."""
    if event.kind is not Kind.CALIBRATION:
        return None
    match event.body:
        case RecordSaved(record=record) | CalibrationSettled(record=record):
            return dict(record)
        case CalibrationReverted(record=record):
            return dict(record)
        case OtherEvent(facts=facts):
            return facts.get("record")
    return None


def indication_of(reading: Reading) -> Indication:
    """Return a reading as the routine took it; one that brought no value counts for time alone."""
    conductivity, temperature = reading.conductivity_mS_cm, reading.temperature_C
    if conductivity is None or temperature is None:
        return Indication.missing(reading.at.mono_s)
    return Indication(reading.at.mono_s, conductivity, temperature)
