"""`brinewright replay`: a recording through the same station, as fast as it goes."""

from __future__ import annotations

import sys
from collections import deque
from collections.abc import Iterable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import tzinfo
from itertools import chain, islice
from pathlib import Path
from typing import Annotated, BinaryIO

import typer
from rich.console import Console
from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

from calibration.history import moment
from calibration.record import Record
from daemon import assembly
from daemon.cli.output import (
    NOT_SO,
    UNAVAILABLE,
    USAGE,
    fail,
    journal_of,
    json_line,
    read_config,
    reason_of,
    warn,
)
from daemon.config import Config, Reservoir
from daemon.entries import Entry, Event, Sample
from daemon.journal.bulk_writer import BulkWriter, bulk_writer
from daemon.journal.calibration_records import calibrations
from daemon.journal.payloads import event_payload
from daemon.mixing.station.station import Station
from daemon.records.event_text import listing
from daemon.rights import missing_rights
from daemon.weights_file import load_learned
from daemon.wire.no_recording import NoRecording
from daemon.wire.recording import BadRow, Destination, Recording
from daemon.wire.text_lines import TextLines

SHOWN_BAD_ROWS = 20
ROWS_AHEAD = 64
"""Rows that are read before the first is played: more than it takes to notice reverse order."""
PIECE_BYTES = 65_536
LONG_BYTES = 500_000


def register(app: typer.Typer) -> None:
    """Add the verb to the command line."""
    app.command()(replay)


def replay(
    *,
    file: Annotated[
        Path,
        typer.Argument(
            help="CSV with the columns time, conductivity_mS_cm, temperature_C, and pump if known; "
            "other units, separators and encodings are read too."
        ),
    ],
    config: Annotated[Path | None, typer.Option(help="Configuration file.")] = None,
    reservoir: Annotated[str | None, typer.Option(help="Which one, if there are several.")] = None,
    journal: Annotated[Path | None, typer.Option(help="Keep a journal of the replay here.")] = None,
    calibrated: Annotated[
        bool,
        typer.Option(
            "--calibrated", help="Correct it by the calibrations in the service's journal."
        ),
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print each event as one line.")] = False,
) -> None:
    """Print what the service would have said to a recording."""
    settings = read_config(config)
    vessel = _reservoir_of(settings, reservoir)
    reservoirs = {vessel.name: assembly.reservoir_settings(vessel)}
    station = Station(reservoirs, load_learned(), own=assembly.station(settings))
    others = frozenset(each.name for each in settings.reservoirs) - {vessel.name}
    recording = Recording(Destination(vessel.name, tuple(reservoirs[vessel.name].probes), others))
    known = _calibrations(settings) if calibrated else deque()
    counts = RowCounts()
    with ExitStack() as stack:
        rows = _rows(file, recording, stack)
        # The file must prove a recording, and not in reverse, before a journal is made for it.
        first = list(islice(rows, ROWS_AHEAD))
        writer = _new_journal(journal, settings, station, stack) if journal else None
        for item in chain(first, rows):
            if isinstance(item, BadRow):
                counts.bad += 1
                _warn_of(item, file, counts.bad)
                continue
            if item.fault:
                counts.silent += 1
            else:
                counts.usable += 1
            if known:
                _calibrate(station, known, item)
            entries = station.advance(item)
            # The first is the reading.
            if len(entries) > 1:
                _print(entries, settings.station.zone, as_json=as_json)
            if writer is not None:
                writer.add(item, entries)
    for remark in recording.remarks:
        warn(f"{file}: {remark}")
    if counts.bad:
        warn(f"{file}: {counts.bad} {'row' if counts.bad == 1 else 'rows'} skipped")
    if not counts.usable:
        fail(f"{file}: {_useless(counts, recording.left_out)}", NOT_SO)


@dataclass(slots=True)
class RowCounts:
    """What a recording contained.

    Attributes:
        bad: Rows that were skipped.
        silent: Rows without a value.
        usable: Rows with one.
    """

    bad: int = 0
    silent: int = 0
    usable: int = 0


def _useless(counts: RowCounts, left_out: int) -> str:
    """Return why there was nothing to judge."""
    if counts.silent:
        return "no row has both values, so there was nothing to judge"
    if counts.bad:
        return "no row could be used; correct what is named above and try again"
    if left_out:
        return "no row is of this reservoir; choose another with --reservoir"
    return "it has a header and no rows, so there is nothing to replay"


def _rows(file: Path, recording: Recording, stack: ExitStack) -> Iterator[Sample | BadRow]:
    try:
        data = stack.enter_context(file.open("rb"))
        for line in _lines(_with_progress(data, file, stack)):
            row = recording.row(line)
            if row is not None:
                yield row
        recording.finish()
    except OSError as exc:
        fail(f"{file}: cannot be read: {reason_of(exc)}; give the path of a recording", USAGE)
    except NoRecording as exc:
        fail(f"{file}: {exc}", USAGE)


def _lines(pieces: Iterable[bytes]) -> Iterator[str]:
    lines = TextLines()
    for piece in pieces:
        lines.feed(piece)
        yield from lines.whole()
    lines.finish()
    yield from lines.whole()


def _calibrations(settings: Config) -> deque[Record]:
    """Return the records that the service's journal holds, the oldest first."""
    return deque(record for _, record in calibrations(journal_of(settings.journal.path)))


def _calibrate(station: Station, known: deque[Record], sample: Sample) -> None:
    """Let those calibrations count that there were at the time of a sample."""
    while known and moment(known[0].made_at) <= sample.at.wall:
        station.calibrated(known.popleft())


def _print(entries: Iterable[Entry], zone: tzinfo, *, as_json: bool) -> None:
    """Print the events among entries."""
    for entry in entries:
        if isinstance(entry, Event):
            sys.stdout.write(
                (json_line(event_payload(entry)) if as_json else listing(entry, zone)) + "\n"
            )


def _reservoir_of(config: Config, name: str | None) -> Reservoir:
    names = [reservoir.name for reservoir in config.reservoirs]
    if name is None and len(names) > 1:
        fail(f"the configuration has {', '.join(names)}; choose one with --reservoir", USAGE)
    chosen = [one for one in config.reservoirs if name in (None, one.name)]
    if not chosen:
        fail(f"there is no reservoir {name!r}; the configuration has {', '.join(names)}", NOT_SO)
    return chosen[0]


def _new_journal(path: Path, config: Config, station: Station, stack: ExitStack) -> BulkWriter:
    if lacking := missing_rights(path, write=True):
        fail(f"journal {path}: {lacking}; or give another path", UNAVAILABLE)
    if path.exists():
        there = "it is there already; a replay keeps a new one, so give another path"
        fail(f"journal {path}: {there}", USAGE)
    if path.resolve() == config.journal.path.resolve():
        fail(f"journal {path}: it is the service's own; give another path", USAGE)
    return stack.enter_context(bulk_writer(path, station))


def _warn_of(row: BadRow, file: Path, count: int) -> None:
    if count <= SHOWN_BAD_ROWS:
        warn(f"{file}, line {row.line}: {row.why}; skipped")
    elif count == SHOWN_BAD_ROWS + 1:
        warn(f"{file}: further bad rows are counted and not shown")


def _with_progress(data: BinaryIO, file: Path, stack: ExitStack) -> Iterator[bytes]:
    pieces = iter(lambda: data.read(PIECE_BYTES), b"")
    size = file.stat().st_size
    if size < LONG_BYTES or not sys.stderr.isatty():
        yield from pieces
        return
    bar = stack.enter_context(
        Progress(
            TextColumn("replaying"),
            BarColumn(),
            TaskProgressColumn(),
            TimeRemainingColumn(),
            console=Console(stderr=True),
            transient=True,
            # What goes into a file or a pipe must not be drawn into the bar.
            redirect_stdout=sys.stdout.isatty(),
        )
    )
    task = bar.add_task("", total=size)
    for piece in pieces:
        yield piece
        bar.update(task, advance=len(piece))
