"""`brinewright batch`: the batches that the journal knows."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from daemon.cli.batch_commands import ACTS
from daemon.cli.output import NOT_SO, emit, fail, journal_of, read_config, say, table
from daemon.entries import Kind, Phase
from daemon.journal.payloads import event_payload
from daemon.mixing.batch.record import BatchRecord, records
from daemon.mixing.cautions import INDEPENDENT_CHECK
from daemon.reports.event_text import listing
from daemon.reports.export_rows import batch_row

if TYPE_CHECKING:
    from datetime import datetime

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
    found = [each for each in _records(config) if reservoir in (None, each.reservoir)]
    if not found and not as_json:
        fail("no batch has been seen yet", NOT_SO)
    if as_json:
        for each in reversed(found):
            emit(batch_row(each), as_json=True)
        return
    rows = [
        (each.id, each.phase, _salinity(each, ""), _minute(each.began)) for each in reversed(found)
    ]
    say(table(rows, ("batch", "phase", "salinity, ± with k=2", "began (UTC)")))


@batch.command()
def show(
    *,
    name: Annotated[str, typer.Argument(help="Id of the batch, as 'batch list' gives it.")],
    config: Annotated[Path | None, typer.Option(help="Configuration file.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object.")] = False,
) -> None:
    """Show one batch and all that happened to it."""
    found = {each.id: each for each in _records(config, name)}
    if name not in found:
        fail(f"there is no batch {name!r}; 'brinewright batch list' names those there are", NOT_SO)
    each = found[name]
    events = [event_payload(event) for event in each.events]
    emit({**batch_row(each), "events": events}, as_json=as_json, text=_sheet(each))


def _records(config: Path | None, name: str | None = None) -> list[BatchRecord]:
    path = read_config(config).journal.path
    return records(event for _, event in journal_of(path).events(name))


def _sheet(each: BatchRecord) -> str:
    rows = [
        ("batch", each.id),
        ("reservoir", each.reservoir),
        ("phase", each.phase),
        ("began", _minute(each.began)),
        ("salt seen", _minute(each.salted)),
        ("stabilised", _minute(each.stabilised)),
        ("released", _released(each)),
        ("ended", _minute(each.ended)),
        ("salinity", _salinity(each)),
        ("disturbed", f"{each.disturbed} times" if each.disturbed else ""),
    ]
    told = [listing(event) for event in each.events if event.kind is not Kind.FORECAST]
    return "\n".join([table([row for row in rows if row[1]]), "", *told])


def _released(each: BatchRecord) -> str:
    """Return when it was released, and what is still to be checked while it waits to be used."""
    at = _minute(each.released)
    return f"{at}; {INDEPENDENT_CHECK}" if at and each.phase == Phase.READY else at


def _salinity(each: BatchRecord, mark: str = " (k=2)") -> str:
    if each.salinity is None:
        return ""
    if each.salinity_u is None:
        return f"{each.salinity:.2f} ppt, ± unknown"
    return f"{each.salinity:.2f} ± {2 * each.salinity_u:.2f} ppt{mark}"


def _minute(wall: datetime | None) -> str:
    return "" if wall is None else f"{wall:%Y-%m-%d %H:%M}"
