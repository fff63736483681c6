"""`brinewright batch`: the batches that the journal knows."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from daemon.cli.batch_commands import ACTS
from daemon.cli.output import NOT_SO, emit, fail, journal_of, print_text, read_config, table
from daemon.entries import Kind, Phase
from daemon.journal.payloads import event_payload
from daemon.local_time import local
from daemon.mixing.batch.batch_record import BatchRecord, records
from daemon.mixing.cautions import INDEPENDENT_CHECK
from daemon.records.event_text import listing
from daemon.reports.export_rows import batch_row

if TYPE_CHECKING:
    from datetime import datetime, tzinfo

    from daemon.config import Config

batch = typer.Typer(help="Look at batches and act on them.", no_args_is_help=True)


def register(app: typer.Typer) -> None:
    """Add the verbs to the command line."""
    for act in ACTS:
        batch.command()(act)
    app.add_typer(batch, name="batch")


@batch.command(name="list")
def list_(
    *,
    config: Annotated[Path | None, typer.Option(help="Configuration file.")] = None,
    reservoir: Annotated[str | None, typer.Option(help="Only of this one.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one object per line.")] = False,
) -> None:
    """List all batches, the newest first."""
    settings = read_config(config)
    batches = [each for each in _records(settings) if reservoir in (None, each.reservoir)]
    if not batches and not as_json:
        fail("there is no batch yet", NOT_SO)
    if as_json:
        for each in reversed(batches):
            emit(batch_row(each), as_json=True)
        return
    zone = settings.station.zone
    rows = [
        (each.id, each.phase.replace("_", " "), _salinity(each, ""), local(each.began, zone))
        for each in reversed(batches)
    ]
    print_text(table(rows, ("batch", "status", "salinity, ± with k=2", "began")))


@batch.command()
def show(
    *,
    name: Annotated[str, typer.Argument(help="Id of the batch, as 'batch list' gives it.")],
    config: Annotated[Path | None, typer.Option(help="Configuration file.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object.")] = False,
) -> None:
    """Show one batch with its events."""
    settings = read_config(config)
    by_id = {each.id: each for each in _records(settings, name)}
    if name not in by_id:
        fail(f"there is no batch {name!r}; 'brinewright batch list' names those there are", NOT_SO)
    each = by_id[name]
    events = [event_payload(event) for event in each.events]
    emit(
        {**batch_row(each), "events": events},
        as_json=as_json,
        text=_sheet(each, settings.station.zone),
    )


def _records(settings: Config, name: str | None = None) -> list[BatchRecord]:
    journal = journal_of(settings.journal.path)
    return records(event for _, event in journal.events(name))


def _sheet(each: BatchRecord, zone: tzinfo) -> str:
    rows = [
        ("batch", each.id),
        ("reservoir", each.reservoir),
        ("status", each.phase.replace("_", " ")),
        ("began", _minute(each.began, zone)),
        ("first salt", _minute(each.salted, zone)),
        ("steady since", _minute(each.stabilised, zone)),
        ("released", _released(each, zone)),
        ("ended", _minute(each.ended, zone)),
        ("salinity", _salinity(each)),
        ("changes after steady", str(each.disturbed) if each.disturbed else ""),
    ]
    events = [listing(event, zone) for event in each.events if event.kind is not Kind.FORECAST]
    return "\n".join([table([row for row in rows if row[1]]), "", *events])


def _released(each: BatchRecord, zone: tzinfo) -> str:
    """Return when it was released, and what is still to be checked while it waits to be used."""
    at = _minute(each.released, zone)
    return f"{at}; {INDEPENDENT_CHECK}" if at and each.phase == Phase.READY else at


def _salinity(each: BatchRecord, mark: str = " (k=2)") -> str:
    if each.salinity is None:
        return ""
    if each.salinity_u is None:
        return f"{each.salinity:.2f} ppt, ± unknown"
    return f"{each.salinity:.2f} ± {2 * each.salinity_u:.2f} ppt{mark}"


def _minute(wall: datetime | None, zone: tzinfo) -> str:
    return "" if wall is None else local(wall, zone)
