"""`brinewright export`: what the journal holds, as it streams past."""

from __future__ import annotations

import csv
import errno
import json
import os
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import IO, TYPE_CHECKING, Annotated

import typer

from daemon.cli.export_anew import recomputed
from daemon.cli.export_summaries import SUMMARY_COLUMNS, summary_lines, warnings
from daemon.cli.output import (
    NOT_SO,
    UNAVAILABLE,
    USAGE,
    complain,
    fail,
    journal_of,
    read_config,
    reason_of,
    say,
)
from daemon.entries import Event
from daemon.journal.selection import Selection, batches, events, readings
from daemon.journal.writer import JournalError
from daemon.mixing.probe.quality import CALIBRATING
from daemon.printable import printable, printable_json
from daemon.publishing.payloads import event_payload, iso_time, reading_payload

if TYPE_CHECKING:
    from daemon.config import Config
    from daemon.entries import JSON
    from daemon.journal.reader import Reader, Stored
    from daemon.mixing.batch.record import BatchRecord

LONG = 20_000
"""Entries from which on a terminal is shown how far it is."""
FORMULA = ("=", "+", "-", "@")
"""What spreadsheets take for the beginning of a formula, where a text begins with it."""


class What(StrEnum):
    """What can be exported."""

    READINGS = "readings"
    EVENTS = "events"
    BATCHES = "batches"
    SUMMARIES = "summaries"


class Format(StrEnum):
    """How it is written."""

    CSV = "csv"
    JSONL = "jsonl"


COLUMNS: dict[What, tuple[str, ...]] = {
    # The first three are the header of a recording, so that the file can be replayed.
    What.READINGS: (
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
        "seq",
    ),
    What.EVENTS: ("time", "reservoir", "batch", "kind", "facts", "synced", "seq"),
    What.BATCHES: (
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
    What.SUMMARIES: SUMMARY_COLUMNS,
}


def register(app: typer.Typer) -> None:
    """Add the verb to the command line."""
    app.command()(export)


def export(
    what: Annotated[
        What, typer.Argument(help="What to write; keys in _u are standard uncertainties.")
    ] = What.READINGS,
    *,
    since: Annotated[
        str | None, typer.Option("--from", help="From this time on; ISO 8601, UTC without a zone.")
    ] = None,
    until: Annotated[
        str | None, typer.Option("--to", help="Before this time; as --from. Batches: began in it.")
    ] = None,
    reservoir: Annotated[str | None, typer.Option(help="Only of this one.")] = None,
    shape: Annotated[
        Format, typer.Option("--format", help="CSV, or one JSON object per line.")
    ] = Format.CSV,
    out: Annotated[Path | None, typer.Option(help="File to write; else standard output.")] = None,
    force: Annotated[bool, typer.Option("--force", help="Replace the file if it exists.")] = False,
    calibration: Annotated[
        str | None,
        typer.Option(help="Readings: compute salinity under this calibration, or under 'none'."),
    ] = None,
    journal: Annotated[
        Path | None, typer.Option(help="Read this journal instead, such as one put aside.")
    ] = None,
    config: Annotated[Path | None, typer.Option(help="Configuration file.")] = None,
) -> None:
    """Write readings, events, batches or summaries as CSV or JSON Lines.

    A CSV of the readings of one reservoir can be replayed.  Summaries are what
    readings become when they are past journal.keep_readings_days.
    """
    selection = Selection(reservoir, _moment(since, "--from"), _moment(until, "--to"))
    _check(what, selection, calibration)
    settings = read_config(config)
    reader = journal_of(journal or settings.journal.path)
    try:
        _check_reservoir(reservoir, settings, reader)
        stored = _stored(what, reader, selection, out)
        if calibration is not None:
            stored = recomputed(stored, settings, reader, calibration)
        lines = _lines(what, shape, stored, reader, selection)
        for sentence in warnings(reader, selection) if what is What.READINGS else ():
            complain(sentence)
        if out is None:
            write(lines, what, shape, sys.stdout)
            return
        with placed(out, force=force) as file:
            count = write(lines, what, shape, file)
        say(printable(f"{count} {what} written to {out}"))
        if what is What.READINGS and reservoir is None and len(settings.reservoirs) > 1:
            complain("to replay a file of readings, write it with --reservoir, one for each")
    except JournalError as exc:
        fail(str(exc), UNAVAILABLE)
    except FileExistsError:
        fail(f"{out} exists already; give another --out, or --force to replace it", USAGE)
    except BrokenPipeError:
        raise
    except OSError as exc:
        fail(f"{out or 'standard output'} cannot be written: {reason_of(exc)}", NOT_SO)


def write(told: Iterable[Mapping[str, JSON]], what: What, shape: Format, file: IO[str]) -> int:
    """Write one line for each of what is told, and return how many there were.

    Args:
        told: JSON objects; for CSV with the keys of `COLUMNS`.
        what: Which columns a CSV has.
        shape: CSV with a header, or JSON Lines without.
        file: Where to.
    """
    put = _csv_writer(COLUMNS[what], file) if shape is Format.CSV else _json_writer(file)
    count = 0
    for count, each in enumerate(told, start=1):  # noqa: B007 - also used after the loop
        put(each)
    return count


@contextmanager
def placed(path: Path, *, force: bool) -> Iterator[IO[str]]:
    """Give a file to write that comes to stand at `path` only once it is whole.

    Args:
        path: Where it is to stand.
        force: Replace one that stands there.

    Raises:
        FileExistsError: One stands there, and `force` is not given.
        OSError: It cannot be written; what stood there still does.
    """
    if path.exists() and not path.is_file():
        raise OSError(errno.EINVAL, "it is there and no file")
    if path.exists() and not force:
        raise FileExistsError(path)
    path = path.resolve()
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with part.open("x", encoding="utf-8", errors="backslashreplace", newline="") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)


def _stored(
    what: What, reader: Reader, selection: Selection, out: Path | None
) -> Iterator[list[Stored]]:
    """Return the entries that the journal holds now, some at a time."""
    if what not in (What.READINGS, What.EVENTS):
        return iter(())
    last = reader.last_seq()
    some = readings if what is What.READINGS else events
    return _shown(some(reader, selection, last), last, out)


def _lines(
    what: What,
    shape: Format,
    stored: Iterable[list[Stored]],
    reader: Reader,
    selection: Selection,
) -> Iterator[dict[str, JSON]]:
    if what is What.SUMMARIES:
        return summary_lines(reader, selection)
    if what is What.BATCHES:
        return map(_batch_row, batches(reader, selection, reader.last_seq()))
    each = (item for some in stored for item in some)
    if shape is Format.JSONL:
        return map(_object, each)
    return map(_reading_row if what is What.READINGS else _event_row, each)


def _object(stored: Stored) -> dict[str, JSON]:
    entry = stored.entry
    if isinstance(entry, Event):
        return {**event_payload(entry), "seq": stored.seq}
    return {**reading_payload(entry), "reservoir": entry.reservoir, "seq": stored.seq}


def _reading_row(stored: Stored) -> dict[str, JSON]:
    told = _object(stored)
    pump = told.get("pump")
    return {
        **told,
        "pump": None if pump is None else int(bool(pump)),
        # A recording is read line by line, so no field may hold a line's end.
        "fault": " ".join(str(told.get("fault", "")).split()),
        "synced": int(told.get("synced") is not False),
        # A replay of the file must not take a bottle for the water.
        "calibrating": int(isinstance(tests := told.get("tests"), dict) and CALIBRATING in tests),
    }


def _event_row(stored: Stored) -> dict[str, JSON]:
    told, entry = _object(stored), stored.entry
    facts = dict(entry.facts) if isinstance(entry, Event) else {}
    return {
        **{name: told[name] for name in ("time", "reservoir", "batch", "kind", "seq")},
        "facts": _json(facts),
        "synced": int(told.get("synced") is not False),
    }


def _batch_row(each: BatchRecord) -> dict[str, JSON]:
    return {
        "batch": each.id,
        "reservoir": each.reservoir,
        "phase": each.phase,
        **{
            name: None if (wall := getattr(each, name)) is None else iso_time(wall)
            for name in ("began", "salted", "stabilised", "released", "ended")
        },
        "salinity": each.salinity,
        "salinity_u": each.salinity_u,
        "disturbed": each.disturbed,
    }


def _csv_writer(columns: tuple[str, ...], file: IO[str]) -> Callable[[Mapping[str, JSON]], object]:
    table = csv.DictWriter(file, columns, extrasaction="ignore", lineterminator="\n")
    table.writeheader()
    return lambda told: table.writerow({key: _cell(value) for key, value in told.items()})


def _cell(value: JSON) -> JSON:
    """Return a value for a CSV: text on one line, that no spreadsheet takes for a formula.

    Source: RFC 4180 has no word for it; a leading apostrophe is common practice.
    """
    if not isinstance(value, str):
        return value
    text = printable(value)
    return f"'{text}" if text.startswith(FORMULA) else text


def _json_writer(file: IO[str]) -> Callable[[Mapping[str, JSON]], object]:
    return lambda told: file.write(_json(told) + "\n")


def _json(told: Mapping[str, JSON]) -> str:
    """Return JSON in plain letters; what cannot be printed is escaped, which says the same."""
    return printable_json(json.dumps(told, ensure_ascii=False, allow_nan=False))


def _check(what: What, selection: Selection, calibration: str | None) -> None:
    since, until = selection.since, selection.until
    if since and until and since >= until:
        fail("--from must be before --to; --to itself is not included", USAGE)
    if what is not What.READINGS and calibration is not None:
        fail(f"only readings can be computed under another calibration, not {what}", USAGE)


def _shown(stored: Iterable[list[Stored]], last: int, out: Path | None) -> Iterator[list[Stored]]:
    """Pass on what is read and show on a terminal how far it is, where that takes a while."""
    # Lines on the same terminal show it by themselves.
    shown = sys.stderr.isatty() and (out is not None or not sys.stdout.isatty())
    if not shown or last < LONG:
        yield from stored
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task("reading the journal", total=last)
        for some in stored:
            yield some
            if some:
                progress.update(task, completed=some[-1].seq)


def _moment(text: str | None, option: str) -> datetime | None:
    if text is None:
        return None
    try:
        found = datetime.fromisoformat(text)
        return found.replace(tzinfo=UTC) if found.tzinfo is None else found.astimezone(UTC)
    except (ValueError, OverflowError):
        fail(f"{option} {text[:60]!r} is not ISO 8601, such as 2026-03-02T08:00:00Z", USAGE)


def _check_reservoir(name: str | None, settings: Config, reader: Reader) -> None:
    known = {each.name for each in settings.reservoirs}
    # One that is no longer configured may still have its entries.
    if name is not None and name not in known and name not in reader.pictures():
        fail(f"there is no reservoir {name!r}; there are {', '.join(sorted(known))}", NOT_SO)
