"""`brinewright export`: what the journal holds, written to a file or to standard output."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from daemon import assembly
from daemon.cli.output import (
    NOT_SO,
    USAGE,
    fail,
    journal_of,
    print_text,
    read_config,
    reason_of,
    warn,
)
from daemon.journal.foreign import foreign
from daemon.journal.selection import Selection
from daemon.printable import printable
from daemon.reports.export_rows import Dataset, ExportFormat, entries, rows, write
from daemon.reports.recomputation import recomputed
from daemon.reports.summary_rows import warnings
from daemon.reports.whole_file import whole_file

if TYPE_CHECKING:
    from daemon.config import Config
    from daemon.journal.reader import Reader, Stored

LONG = 20_000
"""Entries from which a terminal shows the progress."""


def register(app: typer.Typer) -> None:
    """Add the verb to the command line."""
    app.command()(export)


def export(
    what: Annotated[
        Dataset, typer.Argument(help="What to write; keys in _u are standard uncertainties.")
    ] = Dataset.READINGS,
    *,
    since: Annotated[
        str | None, typer.Option("--from", help="From this time on; ISO 8601, UTC without a zone.")
    ] = None,
    until: Annotated[
        str | None, typer.Option("--to", help="Before this time; as --from. Batches: began in it.")
    ] = None,
    reservoir: Annotated[str | None, typer.Option(help="Only of this one.")] = None,
    shape: Annotated[
        ExportFormat, typer.Option("--format", help="CSV, or one JSON object per line.")
    ] = ExportFormat.CSV,
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

    A CSV of readings can be replayed, one reservoir at a time.  Summaries are what
    readings become when they are past journal.keep_readings_days.
    """
    selection = Selection(reservoir, _moment(since, "--from"), _moment(until, "--to"))
    _check(what, selection, calibration)
    settings = read_config(config)
    if journal is not None and (found := foreign(journal)):
        fail(f"{journal}: this is {found} and no journal; name one with --journal", USAGE)
    reader = journal_of(journal or settings.journal.path)
    try:
        _check_reservoir(reservoir, settings, reader)
        last = reader.last_seq()
        stored = _with_progress(entries(what, reader, selection, last), last, out)
        if calibration is not None:
            reservoirs = assembly.reservoirs(settings)
            stored = recomputed(stored, reservoirs, reader, calibration)
        lines = rows(what, shape, stored, reader, selection, warn)
        for sentence in warnings(reader, selection) if what is Dataset.READINGS else ():
            warn(sentence)
        if out is None:
            write(lines, what, shape, sys.stdout)
            return
        with whole_file(out, force=force) as file:
            count = write(lines, what, shape, file)
        print_text(printable(f"{count} {what} written to {out}"))
    except FileExistsError:
        fail(f"{out} exists already; give another --out, or --force to replace it", USAGE)
    except BrokenPipeError:
        raise
    except OSError as exc:
        fail(f"{out or 'standard output'} cannot be written: {reason_of(exc)}", NOT_SO)


def _check(what: Dataset, selection: Selection, calibration: str | None) -> None:
    since, until = selection.since, selection.until
    if since and until and since >= until:
        fail("--from must be before --to; --to itself is not included", USAGE)
    if what is not Dataset.READINGS and calibration is not None:
        fail(f"only readings can be computed under another calibration, not {what}", USAGE)


def _with_progress(
    stored: Iterable[list[Stored]], last: int, out: Path | None
) -> Iterator[list[Stored]]:
    """Pass on what is read and show the progress on a terminal, where that takes a while."""
    # Lines on the same terminal show the progress already.
    has_terminal = sys.stderr.isatty() and (out is not None or not sys.stdout.isatty())
    if not has_terminal or last < LONG:
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
        moment = datetime.fromisoformat(text)
        return moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)
    except (ValueError, OverflowError):
        fail(f"{option} {text[:60]!r} is not ISO 8601, such as 2026-03-02T08:00:00Z", USAGE)


def _check_reservoir(name: str | None, settings: Config, reader: Reader) -> None:
    known = {each.name for each in settings.reservoirs}
    # One that is no longer configured may still have its entries.
    if name is not None and name not in known and name not in reader.snapshots():
        fail(f"there is no reservoir {name!r}; there are {', '.join(sorted(known))}", NOT_SO)
