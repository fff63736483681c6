"""`brinewright batch start`, `confirm`, `answer` and more: what people do with a batch."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from daemon import assembly
from daemon.cli.command_client import reservoir_of, send_and_report
from daemon.cli.lot import recorded_lots
from daemon.cli.output import (
    NOT_SO,
    USAGE,
    fail,
    journal_of,
    print_text,
    read_config,
    reason_of,
)
from daemon.entries import JSON
from daemon.mixing.batch.batch_record import records
from daemon.records.batch_setup import setup_of
from daemon.reports.batch_sheet import sheet_html
from daemon.reports.whole_file import write_document

ConfigPath = Annotated[Path | None, typer.Option("--config", help="Configuration file.")]
Where = Annotated[str | None, typer.Option("--reservoir", help="Which, if there are several.")]
Named = Annotated[
    str | None, typer.Option("--batch", help="Id; refused when it is not the present batch.")
]
Json = Annotated[bool, typer.Option("--json", help="Print one JSON object.")]


class Answer(StrEnum):
    """The answers about the place of the probe."""

    PROBE_OUT = "probe-out"
    SAME_WATER = "same-water"
    REFILLED = "refilled"


def start(
    *,
    mass: Annotated[float | None, typer.Option(help="Mass of mix in all, grams.")] = None,
    volume: Annotated[
        float | None, typer.Option(help="Water before the salt, heel included, litres.")
    ] = None,
    lot: Annotated[str | None, typer.Option(help="Lot of the mix.")] = None,
    heel_volume: Annotated[
        float | None, typer.Option(help="Heel in it, left from the last batch, litres.")
    ] = None,
    heel_salinity: Annotated[float | None, typer.Option(help="Salinity of the heel, ppt.")] = None,
    batch: Named = None,
    reservoir: Where = None,
    config: ConfigPath = None,
    as_json: Json = False,
) -> None:
    """Record what is mixed, so that missing salt is noticed.

    A second start before release replaces the first.
    """
    facts: dict[str, JSON] = {
        "mass_g": mass,
        "volume_l": volume,
        "lot": lot,
        "heel_volume_l": heel_volume,
        "heel_salinity": heel_salinity,
    }
    _send(config, "batch.start", reservoir, facts | {"batch": batch}, as_json)


def confirm(
    *,
    batch: Named = None,
    reservoir: Where = None,
    config: ConfigPath = None,
    as_json: Json = False,
) -> None:
    """Confirm that the water is clear and nothing lies on the bottom."""
    _send(config, "batch.confirm", reservoir, {"batch": batch}, as_json)


def reading(
    *,
    salinity: Annotated[float | None, typer.Option(help="Practical salinity, ppt.")] = None,
    gravity: Annotated[
        float | None,
        typer.Option(help="Specific gravity on a hydrometer; needs the next and --temperature."),
    ] = None,
    hydrometer: Annotated[
        str | None,
        typer.Option(help="Pair of temperatures printed on it: 25/25 or 20/4 in °C, or 60/60F."),
    ] = None,
    index: Annotated[float | None, typer.Option(help="Refractive index at 589 nm.")] = None,
    temperature: Annotated[float | None, typer.Option(help="Of the water, °C.")] = None,
    u: Annotated[float | None, typer.Option(help="Its standard uncertainty, ppt.")] = None,
    instrument: Annotated[str | None, typer.Option(help="What it was read with.")] = None,
    anyway: Annotated[
        bool,
        typer.Option("--anyway", help="It does show that, though it is far from the probe."),
    ] = False,
    batch: Named = None,
    reservoir: Where = None,
    config: ConfigPath = None,
    as_json: Json = False,
) -> None:
    """Record the reading of an independent instrument."""
    facts: dict[str, JSON] = {
        "salinity": salinity,
        "specific_gravity": gravity,
        "hydrometer": hydrometer,
        "refractive_index": index,
        "temperature_C": temperature,
        "u_ppt": u,
        "instrument": instrument,
        "anyway": anyway or None,
    }
    _send(config, "batch.reading", reservoir, facts | {"batch": batch}, as_json)


def note(
    *,
    text: Annotated[str, typer.Argument(help="The note.")],
    batch: Named = None,
    reservoir: Where = None,
    config: ConfigPath = None,
    as_json: Json = False,
) -> None:
    """Add a note to the batch's record."""
    _send(config, "batch.note", reservoir, {"text": text, "batch": batch}, as_json)


def use(
    *,
    volume: Annotated[float | None, typer.Option(help="Litres taken; all when not given.")] = None,
    batch: Named = None,
    reservoir: Where = None,
    config: ConfigPath = None,
    as_json: Json = False,
) -> None:
    """Record that the batch, or some of it, was used."""
    _send(config, "batch.use", reservoir, {"volume_l": volume, "batch": batch}, as_json)


def discard(
    *,
    why: Annotated[str | None, typer.Option(help="For the record.")] = None,
    batch: Named = None,
    reservoir: Where = None,
    config: ConfigPath = None,
    as_json: Json = False,
) -> None:
    """End the batch without using it."""
    _send(config, "batch.discard", reservoir, {"why": why, "batch": batch}, as_json)


def answer(
    *,
    given: Annotated[
        Answer,
        typer.Argument(
            metavar="ANSWER",
            help="probe-out: kept until the same water is back; same-water: the probe is in the"
            " batch; refilled: the batch ends and the next one begins.",
        ),
    ],
    batch: Named = None,
    reservoir: Where = None,
    config: ConfigPath = None,
    as_json: Json = False,
) -> None:
    """Answer where the probe is while a batch is suspended."""
    _send(config, "batch.answer", reservoir, {"answer": given, "batch": batch}, as_json)


def sheet(
    *,
    name: Annotated[str, typer.Argument(help="Id of the batch, as 'batch list' gives it.")],
    out: Annotated[Path | None, typer.Option(help="File to write; ID.html when not given.")] = None,
    force: Annotated[bool, typer.Option("--force", help="Replace a file that is there.")] = False,
    config: ConfigPath = None,
) -> None:
    """Write the batch sheet: one page to print."""
    settings = read_config(config)
    reader, path = journal_of(settings.journal.path), out or Path(f"{name}.html")
    try:
        batches = {each.id: each for each in records(event for _, event in reader.events(name))}
        if name not in batches:
            fail(f"there is no batch {name!r}; 'brinewright batch list' names those", NOT_SO)
        record = batches[name]
        lots, now = recorded_lots(settings)[0], assembly.clock(settings).now()
        html = sheet_html(reader, record, setup_of(record, settings, lots, now.wall))
        write_document(html, path, force=force)
    except FileExistsError:
        fail(f"{path} is there already; give another --out, or --force to replace it", USAGE)
    except OSError as exc:
        fail(f"{path}: cannot be written: {reason_of(exc)}", USAGE)
    print_text(f"written to {path}")


ACTS = (start, confirm, reading, note, use, discard, answer, sheet)


def _send(
    config: Path | None, verb: str, reservoir: str | None, facts: dict[str, JSON], as_json: bool
) -> None:
    settings = read_config(config)
    send_and_report(settings, verb, reservoir_of(settings, reservoir), facts, as_json=as_json)
