"""`brinewright alarm catalogue`: every alarm there is, for people, scripts and the guides."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from daemon.cli.alarm_list import described, rows_of
from daemon.cli.output import emit, print_text, read_config, table
from daemon.mixing.alarm.catalogue import CATALOGUE, Priority

if TYPE_CHECKING:
    from collections.abc import Iterable

    from daemon.mixing.alarm.catalogue import AlarmKind

ORDER = [*Priority]


def add_to(group: typer.Typer) -> None:
    """Add the verb to its group."""
    group.command()(catalogue)


def catalogue(
    *,
    whole: Annotated[bool, typer.Option("--whole", help="All that is known of each.")] = False,
    markdown: Annotated[
        bool, typer.Option("--markdown", help="As a table for a guide, without your settings.")
    ] = False,
    config: Annotated[
        Path | None, typer.Option(help="Configuration file, for its [[alarm]] sections.")
    ] = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print one JSON object per line.")
    ] = False,
) -> None:
    """List every alarm: how urgent it is, and what to do."""
    if markdown:
        print_text(as_markdown(CATALOGUE.values()))
        return
    rows = _ordered(_rows(config))
    if as_json:
        for each in rows:
            emit(described(each), as_json=True)
    elif whole:
        print_text("\n\n".join(table(rows_of(each)) for each in rows))
    else:
        print_text(
            table(
                [(each.name, str(each.priority), each.do) for each in rows],
                ("alarm", "priority", "what to do"),
            )
        )


def as_markdown(rows: Iterable[AlarmKind]) -> str:
    """Return the catalogue as a table for a guide."""
    lines = ["| alarm | priority | means | what to do |", "| --- | --- | --- | --- |"]
    lines += [
        f"| `{each.name}` | {each.priority} | {each.means} | {each.do.replace('|', '/')} |"
        for each in _ordered(rows)
    ]
    return "\n".join(lines)


def _rows(config: Path | None) -> Iterable[AlarmKind]:
    """Return the catalogue as the owner wants it; without a configuration, as it comes."""
    from daemon import assembly
    from daemon.config import ConfigError, find_config

    try:
        path = find_config(config)
    except ConfigError:
        return CATALOGUE.values()
    return assembly.station(read_config(path)).alarms.values()


def _ordered(rows: Iterable[AlarmKind]) -> list[AlarmKind]:
    return sorted(rows, key=lambda each: ORDER.index(each.priority))
