"""`brinewright batch start|confirm|reading|note|use|discard|sheet`: what people do to a batch."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from daemon.cli.command_client import ask, reservoir_of
from daemon.cli.output import (
    NOT_SO,
    USAGE,
    fail,
    journal_of,
    read_config,
    reason_of,
    say,
)
from daemon.entries import JSON, Event, Kind
from daemon.mixing.batch.record import BatchRecord, records
from daemon.reports.batch_sheet import sheet_html
from daemon.reports.whole_file import write_document

if TYPE_CHECKING:
    from daemon.config import Config

ConfigPath = Annotated[Path | None, typer.Option("--config", help="Configuration file.")]
Where = Annotated[str | None, typer.Option("--reservoir", help="Which, if there are several.")]
Named = Annotated[
    str | None, typer.Option("--batch", help="Id; refused when it is not the present batch.")
]
Json = Annotated[bool, typer.Option("--json", help="Print one JSON object.")]


def start(
    *,
    mass: Annotated[float | None, typer.Option(help="All salt mix in it, grams.")] = None,
    volume: Annotated[
        float | None, typer.Option(help="Water before the salt, heel included, litres.")
    ] = None,
    lot: Annotated[str | None, typer.Option(help="Lot that it is from.")] = None,
    heel_volume: Annotated[float | None, typer.Option(help="Old water in it, litres.")] = None,
    heel_salinity: Annotated[float | None, typer.Option(help="Its salinity, ppt.")] = None,
    batch: Named = None,
    reservoir: Where = None,
    config: ConfigPath = None,
    as_json: Json = False,
) -> None:
    """Say what is being mixed, so that the salt can be accounted for.

    Said again before release, it corrects what was said before.
    """
    facts: dict[str, JSON] = {
        "mass_g": mass,
        "volume_l": volume,
        "lot": lot,
        "heel_volume_l": heel_volume,
        "heel_salinity": heel_salinity,
    }
    _ask(config, "batch.start", reservoir, facts | {"batch": batch}, as_json)


def confirm(
    *,
    batch: Named = None,
    reservoir: Where = None,
    config: ConfigPath = None,
    as_json: Json = False,
) -> None:
    """Confirm that you saw clear water and a clean bottom."""
    _ask(config, "batch.confirm", reservoir, {"batch": batch}, as_json)


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
    batch: Named = None,
    reservoir: Where = None,
    config: ConfigPath = None,
    as_json: Json = False,
) -> None:
    """Enter what an independent instrument says."""
    facts: dict[str, JSON] = {
        "salinity": salinity,
        "specific_gravity": gravity,
        "hydrometer": hydrometer,
        "refractive_index": index,
        "temperature_C": temperature,
        "u_ppt": u,
        "instrument": instrument,
    }
    _ask(config, "batch.reading", reservoir, facts | {"batch": batch}, as_json)


def note(
    *,
    text: Annotated[str, typer.Argument(help="What to remember.")],
    batch: Named = None,
    reservoir: Where = None,
    config: ConfigPath = None,
    as_json: Json = False,
) -> None:
    """Write a remark into the batch's record."""
    _ask(config, "batch.note", reservoir, {"text": text, "batch": batch}, as_json)


def use(
    *,
    volume: Annotated[float | None, typer.Option(help="Litres taken; all when not given.")] = None,
    batch: Named = None,
    reservoir: Where = None,
    config: ConfigPath = None,
    as_json: Json = False,
) -> None:
    """Note that the batch, or some of it, was used."""
    _ask(config, "batch.use", reservoir, {"volume_l": volume, "batch": batch}, as_json)


def discard(
    *,
    why: Annotated[str | None, typer.Option(help="For the record.")] = None,
    batch: Named = None,
    reservoir: Where = None,
    config: ConfigPath = None,
    as_json: Json = False,
) -> None:
    """End the batch without using it."""
    _ask(config, "batch.discard", reservoir, {"why": why, "batch": batch}, as_json)


def sheet(
    *,
    name: Annotated[str, typer.Argument(help="Id of the batch, as 'batch list' gives it.")],
    out: Annotated[Path | None, typer.Option(help="File to write; ID.html when not given.")] = None,
    force: Annotated[bool, typer.Option("--force", help="Replace a file that is there.")] = False,
    config: ConfigPath = None,
) -> None:
    """Write the batch's whole record as one page to print."""
    settings = read_config(config)
    reader, path = journal_of(settings.journal.path), out or Path(f"{name}.html")
    try:
        found = {each.id: each for each in records(event for _, event in reader.events(name))}
        if name not in found:
            fail(f"there is no batch {name!r}; 'brinewright batch list' names those", NOT_SO)
        html = sheet_html(reader, found[name], _told(settings, found[name]))
        write_document(html, path, force=force)
    except FileExistsError:
        fail(f"{path} is there already; give another --out, or --force to replace it", USAGE)
    except OSError as exc:
        fail(f"{path}: cannot be written: {reason_of(exc)}", USAGE)
    say(f"written to {path}")


STARTED = {
    "mass_g": "salt_g",
    "volume_l": "volume_l",
    "lot": "lot",
    "heel_volume_l": "heel_l",
    "heel_salinity": "heel_salinity",
}
"""Arguments of `batch.start`, and what the sheet calls them."""

ACTS = (start, confirm, reading, note, use, discard, sheet)


def _ask(
    config: Path | None, verb: str, reservoir: str | None, facts: dict[str, JSON], as_json: bool
) -> None:
    settings = read_config(config)
    ask(settings, verb, reservoir_of(settings, reservoir), facts, as_json=as_json)


def _told(config: Config, record: BatchRecord) -> dict[str, JSON]:
    """Return what the sheet says besides the record: limits, and what people told."""
    told: dict[str, JSON] = {"station": config.station.name}
    for reservoir in config.reservoirs:
        if reservoir.name == record.reservoir:
            told |= {
                "target_ppt": reservoir.target_ppt,
                "tolerance_ppt": reservoir.tolerance_ppt,
                "release_confidence": reservoir.release_confidence,
                "use_within_h": reservoir.use_within_h,
                "volume_l": reservoir.fill_l,
                "mix_yield": reservoir.mix_yield,
            }
    filled_l = told.get("volume_l")
    for event in record.events:
        if event.kind is Kind.PHASE and "probability" in event.facts:
            told["probability"] = event.facts["probability"]
        started = _started(event)
        if "salt_g" in started:
            # What was told anew takes the place of all that was told before.
            told = {key: value for key, value in told.items() if key not in STARTED.values()}
            told |= {"volume_l": filled_l, **started}
    notes = [_remark(event) for event in record.events if _is_note(event)]
    return told | {"notes": [*notes]} if notes else told


def _started(event: Event) -> dict[str, JSON]:
    facts = event.facts
    if event.kind is not Kind.COMMAND or not facts.get("ok") or facts.get("verb") != "batch.start":
        return {}
    return {shown: facts[name] for name, shown in STARTED.items() if name in facts}


def _is_note(event: Event) -> bool:
    facts = event.facts
    return event.kind is Kind.COMMAND and facts.get("verb") == "batch.note" and bool(facts["ok"])


def _remark(event: Event) -> str:
    return f"{event.at.wall:%Y-%m-%d %H:%M} {event.facts.get('who')}: {event.facts.get('text')}"
