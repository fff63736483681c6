"""`brinewright calibrate`: the guided routine, checks, and the record of past ones."""

from __future__ import annotations

import sys
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from calibration.acceptance import REPAIRS
from calibration.record import Record, Reversion, Settlement
from daemon import assembly
from daemon.cli.calibrate_guide import Guide
from daemon.cli.calibrate_records import sheet, summary
from daemon.cli.calibrate_references import ask_for_references, ask_for_thermometer
from daemon.cli.command_client import WAIT_S, reservoir_of, send_and_report
from daemon.cli.output import (
    NOT_SO,
    USAGE,
    emit,
    fail,
    journal_of,
    print_text,
    read_config,
    reason_of,
    table,
)
from daemon.journal.calibration_records import calibrations
from daemon.local_time import local_iso
from daemon.mixing.probe.calibration_history import Calibrations, name_of, plain
from daemon.reports.calibration_certificate import certificate_html
from daemon.reports.whole_file import write_document

if TYPE_CHECKING:
    from daemon.config import Config
    from daemon.entries import JSON

ConfigPath = Annotated[Path | None, typer.Option("--config", help="Configuration file.")]
Where = Annotated[str | None, typer.Option("--reservoir", help="Which, if there are several.")]
Which = Annotated[str | None, typer.Option("--probe", help="Which, if there are several.")]
Json = Annotated[bool, typer.Option("--json", help="Print JSON, one object per line.")]
Held = Annotated[
    list[str] | None,
    typer.Option(
        "--reference",
        help="What to measure, in order, such as 'air' or 'kcl-12-88 lot=Q-12 tolerance=0.5"
        " expiry=2027-01-31'; entered at the prompt when not given.",
    ),
]
Warmth = Annotated[str | None, typer.Option("--thermometer", help="Reference thermometer.")]
WarmthU = Annotated[
    float | None, typer.Option("--thermometer-tolerance", help="The ± on it (k = 2), °C.")
]
Alone = Annotated[
    bool,
    typer.Option(
        "--unattended",
        help="Confirm every step without a person and abort at the first warning; for simulations.",
    ),
]

group = typer.Typer(help="Calibrate a probe, and list its calibrations.")


def register(app: typer.Typer) -> None:
    """Add the verb to the command line."""
    app.add_typer(group, name="calibrate")


@group.callback(invoke_without_command=True)
def calibrate(
    context: typer.Context,
    *,
    references: Held = None,
    thermometer: Warmth = None,
    tolerance: WarmthU = None,
    as_left: Annotated[
        str | None, typer.Option(help="A reference to measure once more at the end.")
    ] = None,
    probe: Which = None,
    reservoir: Where = None,
    repair: Annotated[
        str | None,
        typer.Option(help=f"What was done to the probe before: {' or '.join(REPAIRS)}."),
    ] = None,
    unattended: Alone = False,
    config: ConfigPath = None,
    as_json: Json = False,
) -> None:
    """Calibrate a probe, step by step; batches wait meanwhile. Ctrl-C aborts.

    Nothing is saved before you confirm the verdict; until then the calibration
    that is in force stays in force.
    """
    if context.invoked_subcommand is not None:
        return
    settings = read_config(config)
    place = reservoir_of(settings, reservoir)
    arguments = _arguments(settings, references, thermometer, tolerance, unattended=unattended)
    if as_left:
        arguments["as_left"] = as_left
    if repair:
        arguments["repair"] = _repair(repair)
    guide = Guide(settings, place, _probe(settings, place, probe), unattended, as_json)
    raise SystemExit(guide.run("calibrate.start", arguments))


@group.command()
def check(
    *,
    references: Held = None,
    thermometer: Warmth = None,
    tolerance: WarmthU = None,
    probe: Which = None,
    reservoir: Where = None,
    unattended: Alone = False,
    config: ConfigPath = None,
    as_json: Json = False,
) -> None:
    """Compare a probe with a reference and adjust nothing. Best done each week."""
    settings = read_config(config)
    place = reservoir_of(settings, reservoir)
    arguments = _arguments(settings, references, thermometer, tolerance, unattended=unattended)
    guide = Guide(settings, place, _probe(settings, place, probe), unattended, as_json)
    raise SystemExit(guide.run("calibrate.check", arguments))


@group.command()
def abort(
    *,
    probe: Which = None,
    reservoir: Where = None,
    config: ConfigPath = None,
    as_json: Json = False,
) -> None:
    """End a routine without saving it. It may run in another terminal."""
    settings = read_config(config)
    place = reservoir_of(settings, reservoir)
    arguments: dict[str, JSON] = {"probe": _probe(settings, place, probe)}
    send_and_report(settings, "calibrate.abort", place, arguments, as_json=as_json)


@group.command()
def back(
    *,
    probe: Which = None,
    reservoir: Where = None,
    config: ConfigPath = None,
    as_json: Json = False,
) -> None:
    """Confirm that a probe is back in the water. Its readings count again."""
    settings = read_config(config)
    place = reservoir_of(settings, reservoir)
    arguments: dict[str, JSON] = {"probe": _probe(settings, place, probe), "step": "return"}
    send_and_report(settings, "calibrate.confirm", place, arguments, as_json=as_json)


@group.command()
def revert(
    *,
    name: Annotated[str, typer.Argument(help="Id, as 'calibrate list' gives it.")],
    reason: Annotated[str | None, typer.Option(help="For the record.")] = None,
    config: ConfigPath = None,
    as_json: Json = False,
) -> None:
    """Go back to an older calibration. Later ones are kept and not used."""
    settings = read_config(config)
    record = _record_of(_records(settings), name)
    place, _, probe = record.probe.partition("/")
    arguments: dict[str, JSON] = {"probe": probe, "to": name, "reason": reason}
    send_and_report(settings, "calibrate.revert", place, arguments, as_json=as_json)


@group.command()
def settle(
    *,
    repair: Annotated[
        str, typer.Option(help=f"What was done to the probe before: {' or '.join(REPAIRS)}.")
    ],
    reason: Annotated[str | None, typer.Option(help="For the record.")] = None,
    probe: Which = None,
    reservoir: Where = None,
    config: ConfigPath = None,
    as_json: Json = False,
) -> None:
    """Put a calibration that is on hold in force. A repair that changed the probe is named."""
    settings = read_config(config)
    place = reservoir_of(settings, reservoir)
    arguments: dict[str, JSON] = {
        "probe": _probe(settings, place, probe),
        "repair": _repair(repair),
        "reason": reason,
    }
    send_and_report(settings, "calibrate.settle", place, arguments, as_json=as_json)


@group.command(name="list")
def list_(
    *,
    probe: Which = None,
    reservoir: Where = None,
    config: ConfigPath = None,
    as_json: Json = False,
) -> None:
    """List calibrations and checks, the newest first. Returns to older ones too."""
    settings = read_config(config)
    known = Calibrations(_records(settings))
    chosen = [
        each
        for each in reversed(known.records)
        if reservoir in (None, each.probe.partition("/")[0])
        and probe in (None, each.probe.partition("/")[2])
    ]
    if not chosen and not as_json:
        fail("no probe has been calibrated yet; 'brinewright calibrate' does it", NOT_SO)
    overviews = [summary(each, known) for each in chosen]
    if as_json:
        for each in overviews:
            emit(each, as_json=True)
        return
    rows = [
        (
            str(each["id"]),
            "in force" if each["in_force"] else "on hold" if each["on_hold"] else "",
            local_iso(str(each["made_at"]), settings.station.zone),
            str(each["says"]),
        )
        for each in overviews
    ]
    print_text(table(rows, ("record", "", "made", "says")))


@group.command()
def show(
    *,
    name: Annotated[str, typer.Argument(help="Id, as 'calibrate list' gives it.")],
    config: ConfigPath = None,
    as_json: Json = False,
) -> None:
    """Show one record."""
    settings = read_config(config)
    known = Calibrations(_records(settings))
    record = _record_of(known.records, name)
    overview = {**summary(record, known), "record": plain(record)}
    emit(overview, as_json=as_json, text=table(sheet(record, known, settings.station.zone)))


@group.command()
def due(*, config: ConfigPath = None, as_json: Json = False) -> None:
    """Say when each probe is to be calibrated and checked next."""
    settings = read_config(config)
    known, wall = Calibrations(_records(settings)), assembly.clock(settings).now().wall
    for reservoir in settings.reservoirs:
        for probe in reservoir.probes:
            name = name_of(reservoir.name, probe.name)
            dates = known.due(name, wall)
            never = f"Probe {name} was never calibrated; it counts as configured until it is."
            answer: dict[str, JSON] = {
                "reservoir": reservoir.name,
                "probe": probe.name,
                "calibrate_by": None if dates is None else str(dates.calibrate_by),
                "check_by": None if dates is None else str(dates.check_by),
                "overdue": dates is not None and dates.overdue,
                "says": never if dates is None else dates.sentence,
            }
            again = "" if dates is None else f" The next check is due on {dates.check_by}."
            emit(answer, as_json=as_json, text=f"{answer['says']}{again}")


@group.command()
def report(
    *,
    name: Annotated[str, typer.Argument(help="Id, as 'calibrate list' gives it.")],
    out: Annotated[Path | None, typer.Option(help="File to write; ID.html when not given.")] = None,
    force: Annotated[bool, typer.Option("--force", help="Replace a file that is there.")] = False,
    config: ConfigPath = None,
) -> None:
    """Write one calibration or check as a page to print."""
    settings, path = read_config(config), out or Path(f"{name}.html")
    known = _records(settings)
    record = _record_of(known, name)
    if isinstance(record, Reversion):
        fail(f"{name} is the return to {record.to_id}; print that one", NOT_SO)
    if isinstance(record, Settlement):
        fail(f"{name} settles {record.calibration_id}; print that one", NOT_SO)
    before = known[: known.index(record) + 1]
    try:
        station = settings.station
        html = certificate_html(record, before, station.name, station.zone)
        write_document(html, path, force=force)
    except FileExistsError:
        fail(f"{path} is there already; give another --out, or --force to replace it", USAGE)
    except OSError as exc:
        fail(f"{path}: cannot be written: {reason_of(exc)}", USAGE)
    print_text(f"written to {path}")


def _arguments(
    settings: Config,
    references: list[str] | None,
    thermometer: str | None,
    tolerance: float | None,
    *,
    unattended: bool,
) -> dict[str, JSON]:
    """Return the arguments of the command; prompt for those that were not given."""
    if unattended and not references:
        fail("--unattended needs --reference: nobody answers a prompt", USAGE)
    if unattended and thermometer:
        fail("--unattended reads no thermometer; leave out --thermometer", USAGE)
    if not unattended and not sys.stdin.isatty():
        fail("this needs a terminal; --unattended confirms every step without a person", USAGE)
    if not references:
        references = ask_for_references()
        thermometer, tolerance = ask_for_thermometer()
    clock = assembly.clock(settings)
    now = clock.now()
    later_s = WAIT_S / clock.real_s(1.0)
    arguments: dict[str, JSON] = {
        "references": "; ".join(references),
        # Nobody who gave up waiting finds the probe out of use hours later.
        "not_after": (now.wall + timedelta(seconds=later_s)).isoformat(),
    }
    if thermometer:
        arguments["thermometer"] = thermometer
    if tolerance is not None:
        arguments["thermometer_tolerance_C"] = tolerance
    return arguments


def _repair(repair: str) -> str:
    if repair not in REPAIRS:
        fail(f"--repair {repair!r} is not one of: {', '.join(REPAIRS)}", USAGE)
    return repair


def _probe(settings: Config, place: str, name: str | None) -> str:
    """Return the probe by its name; the only one of a reservoir needs none."""
    names = [each.name for each in settings.reservoir(place).probes]
    if not names:
        fail(f"{place} has no probe in the configuration", NOT_SO)
    if name is None and len(names) > 1:
        fail(f"{place} has the probes {', '.join(names)}; choose one with --probe", USAGE)
    if name is not None and name not in names:
        fail(f"there is no probe {name!r} in {place}; it has {', '.join(names)}", NOT_SO)
    return name or names[0]


def _records(settings: Config) -> list[Record]:
    return [record for _, record in calibrations(journal_of(settings.journal.path))]


def _record_of(records: list[Record], name: str) -> Record:
    by_id = {record.id: record for record in records}
    if name not in by_id:
        fail(f"there is no record {name!r}; 'brinewright calibrate list' names those", NOT_SO)
    return by_id[name]
