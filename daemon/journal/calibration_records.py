"""The records of calibration that a journal holds."""

from __future__ import annotations

from typing import TYPE_CHECKING

from calibration.serialisation import from_plain
from daemon.journal.errors import JournalError
from daemon.journal.rows import DAMAGED

if TYPE_CHECKING:
    from calibration.record import Record
    from daemon.journal.reader import Reader


def calibrations(reader: Reader) -> list[tuple[int, Record]]:
    """Return every record of a calibration, check or reversion with its `seq`, in order.

    Raises:
        JournalError: The journal cannot be read, or a record in it is of another version.
    """
    found = []
    for seq, event in reader.calibrations():
        if event.facts.get("state") == DAMAGED:
            raise JournalError(
                f"a calibration record (seq {seq}) in the journal was changed on the disk; start"
                " 'brinewright run' anew, which puts that journal aside and keeps what is whole"
            )
        if "record" not in event.facts:
            continue
        try:
            found.append((seq, from_plain(event.facts["record"])))
        except ValueError as exc:
            raise JournalError(
                f"the calibration record {event.facts.get('id', '')!r} (seq {seq}) in the journal"
                " cannot be read; install the version that wrote it again"
            ) from exc
    return found
