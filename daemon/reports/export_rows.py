"""What the journal holds as rows of CSV or lines of JSON, as it streams past."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from enum import StrEnum
from typing import IO, TYPE_CHECKING

from daemon.entries import Event
from daemon.journal.event_codec import facts_of
from daemon.journal.payloads import AGES, event_payload, iso_time, reading_payload
from daemon.journal.selection import Selection, batches, events, readings
from daemon.mixing.probe.quality import CALIBRATING
from daemon.printable import printable, printable_json
from daemon.reports.summary_rows import SUMMARY_COLUMNS, summary_rows

if TYPE_CHECKING:
    from daemon.entries import JSON
    from daemon.journal.reader import Reader, Stored
    from daemon.mixing.batch.batch_record import BatchRecord

FORMULA = ("=", "+", "-", "@")
"""What spreadsheets take for the beginning of a formula, where a text begins with it."""


class Dataset(StrEnum):
    """What can be exported."""

    READINGS = "readings"
    EVENTS = "events"
    BATCHES = "batches"
    SUMMARIES = "summaries"


class ExportFormat(StrEnum):
    """How it is written."""

    CSV = "csv"
    JSONL = "jsonl"


COLUMNS: dict[Dataset, tuple[str, ...]] = {
    # The first three are the header of a recording, so that the file can be replayed.
    Dataset.READINGS: (
        "time",
        "conductivity_mS_cm",
        "temperature_C",
        "pump",
        "salinity",
        "salinity_u",
        "flag",
        "reservoir",
        "probe",
        "synced",
        "fault",
        "calibration",
        "calibrating",
        *AGES,
        "seq",
    ),
    Dataset.EVENTS: ("time", "reservoir", "batch", "kind", "facts", "synced", "seq"),
    Dataset.BATCHES: (
        "batch",
        "reservoir",
        "phase",
        "began",
        "salted",
        "stabilised",
        "released",
        "ended",
        "salinity",
        "salinity_u",
        "disturbed",
    ),
    Dataset.SUMMARIES: SUMMARY_COLUMNS,
}


def entries(
    what: Dataset, reader: Reader, selection: Selection, last: int
) -> Iterator[list[Stored]]:
    """Return the selected readings or events, some at a time; none for what is not an entry.

    Args:
        what: What is exported.
        reader: Of the journal.
        selection: Which of them.
        last: The number up to which they are read.
    """
    if what is Dataset.READINGS:
        return readings(reader, selection, last)
    return events(reader, selection, last) if what is Dataset.EVENTS else iter(())


def rows(
    what: Dataset,
    shape: ExportFormat,
    stored: Iterable[list[Stored]],
    reader: Reader,
    selection: Selection,
    warn: Callable[[str], None],
) -> Iterator[dict[str, JSON]]:
    """Yield what is exported, a JSON object for each line.

    Args:
        what: What is exported.
        shape: For which format.
        stored: From `entries`, also recomputed.
        reader: Of the journal.
        selection: Which of them.
        warn: Called with a sentence on what had to be left out.
    """
    if what is Dataset.SUMMARIES:
        return summary_rows(reader, selection, warn)
    if what is Dataset.BATCHES:
        return map(batch_row, batches(reader, selection, reader.last_seq()))
    each = (item for some in stored for item in some)
    if shape is ExportFormat.JSONL:
        return map(_object, each)
    return map(_reading_row if what is Dataset.READINGS else _event_row, each)


def write(
    objects: Iterable[Mapping[str, JSON]], what: Dataset, shape: ExportFormat, file: IO[str]
) -> int:
    """Write one line for each object, and return how many there were.

    Args:
        objects: JSON objects; for CSV with the keys of `COLUMNS`.
        what: Which columns a CSV has.
        shape: CSV with a header, or JSON Lines without.
        file: Where to.
    """
    put = _csv_writer(COLUMNS[what], file) if shape is ExportFormat.CSV else _json_writer(file)
    count = 0
    for count, each in enumerate(objects, start=1):  # noqa: B007 - also used after the loop
        put(each)
    return count


def batch_row(record: BatchRecord) -> dict[str, JSON]:
    """Return a batch as a JSON object: its identity, its times and its result."""
    return {
        "batch": record.id,
        "reservoir": record.reservoir,
        "phase": record.phase,
        **{
            name: None if (wall := getattr(record, name)) is None else iso_time(wall)
            for name in ("began", "salted", "stabilised", "released", "ended")
        },
        "salinity": record.salinity,
        "salinity_u": record.salinity_u,
        "disturbed": record.disturbed,
    }


def _object(stored: Stored) -> dict[str, JSON]:
    entry = stored.entry
    if isinstance(entry, Event):
        return {**event_payload(entry), "seq": stored.seq}
    return {**reading_payload(entry), "reservoir": entry.reservoir, "seq": stored.seq}


def _reading_row(stored: Stored) -> dict[str, JSON]:
    fields = _object(stored)
    pump = fields.get("pump")
    tests = fields.get("tests")
    return {
        **fields,
        "pump": None if pump is None else int(bool(pump)),
        # A recording is read line by line, so no field may hold a line's end.
        "fault": " ".join(str(fields.get("fault", "")).split()),
        "synced": int(fields.get("synced") is not False),
        # A replay of the file must not take a reference solution for the water.
        "calibrating": int(isinstance(tests, dict) and CALIBRATING in tests),
    }


def _event_row(stored: Stored) -> dict[str, JSON]:
    fields, entry = _object(stored), stored.entry
    facts = dict(facts_of(entry.body)) if isinstance(entry, Event) else {}
    return {
        **{name: fields[name] for name in ("time", "reservoir", "batch", "kind", "seq")},
        "facts": _json(facts),
        "synced": int(fields.get("synced") is not False),
    }


def _csv_writer(columns: tuple[str, ...], file: IO[str]) -> Callable[[Mapping[str, JSON]], object]:
    table = csv.DictWriter(file, columns, extrasaction="ignore", lineterminator="\n")
    table.writeheader()
    return lambda fields: table.writerow({key: _cell(value) for key, value in fields.items()})


def _cell(value: JSON) -> JSON:
    """Return a value for a CSV: text on one line, that no spreadsheet takes for a formula.

    Source: RFC 4180 has no word for it; a leading apostrophe is common practice.
    """
    if not isinstance(value, str):
        return value
    text = printable(value)
    return f"'{text}" if text.startswith(FORMULA) else text


def _json_writer(file: IO[str]) -> Callable[[Mapping[str, JSON]], object]:
    return lambda fields: file.write(_json(fields) + "\n")


def _json(fields: Mapping[str, JSON]) -> str:
    """Return JSON in plain letters; what cannot be printed is escaped, which says the same."""
    return printable_json(json.dumps(fields, ensure_ascii=False, allow_nan=False))
