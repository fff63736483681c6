"""`brinewright probe find`: ports and buses, their names that stay, what is in the way of them."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from daemon.cli.output import emit, read_config, report_error, table, warn
from daemon.config import ConfigError
from daemon.printable import printable
from daemon.probes.inventory import Connection, Way, connections, plug_in_advice

if TYPE_CHECKING:
    from daemon.config import Config

HEADINGS = {
    Way.SERIAL: "Serial ports",
    Way.I2C: "I2C buses",
    Way.IIO: "Sensors of the kernel (Industrial I/O)",
    Way.ONEWIRE: "1-Wire",
    Way.GPIO: "GPIO chips",
    Way.MQTT: "MQTT broker",
}


def add_to(app: typer.Typer) -> None:
    """Add the verb to its group."""
    app.command()(find)


def find(
    config: Annotated[Path | None, typer.Option("--config", help="Configuration file.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one object.")] = False,
) -> None:
    """List ports and buses, who uses them, and what is in the way of using them."""
    found = connections(_configuration(config))
    advice = plug_in_advice(found)
    answer: dict[str, Any] = {
        "connections": [_facts(each) for each in found],
        "missing": {way.value: sentence for way, sentence in advice.items()},
    }
    emit(answer, as_json=as_json, text=_text(found, advice))


def _configuration(path: Path | None) -> Config | None:
    """Return the configuration, or None where it cannot be used: finding comes before it."""
    try:
        return read_config(path)
    except ConfigError as exc:
        if path is not None:
            report_error(exc)
            raise typer.Exit(exc.exit_code) from exc
        warn(f"which of them a probe uses is not known: {exc}")
        return None


def _facts(connection: Connection) -> dict[str, Any]:
    return {
        "way": connection.way.value,
        "name": connection.name,
        "other_names": list(connection.others),
        "is": connection.describes,
        "drivers": list(connection.drivers),
        "used_by": list(connection.used_by),
        "held_by": list(connection.held_by),
        "faults": list(connection.faults),
    }


def _text(found: list[Connection], advice: dict[Way, str]) -> str:
    parts = []
    for way, group in groupby(found, key=lambda each: each.way):
        parts.append(HEADINGS[way])
        parts += [f"\n  {printable(each.name)}\n{_rows(each)}" for each in group]
        parts.append("")
    if not found:
        parts += ["Nothing is connected that a probe could be read over.", ""]
    if advice:
        parts += ["Not there:", table([("  ", sentence) for sentence in advice.values()])]
    return "\n".join(parts).rstrip()


def _rows(connection: Connection) -> str:
    return table([(f"     {label}", value) for label, value in _labelled(connection)])


def _labelled(connection: Connection) -> Iterator[tuple[str, str]]:
    if connection.describes:
        yield "is", connection.describes
    for each in connection.others:
        yield "also", each
    yield "drivers", ", ".join(connection.drivers) or "none"
    for each in connection.used_by:
        yield "used by", each
    for each in connection.held_by:
        yield "held by", each
    for each in connection.faults:
        yield "FAULT", each
    if not connection.used_by and not connection.held_by and not connection.faults:
        yield "free", "no probe of the configuration uses it"
