"""`brinewright lot`: lots of salt mix, and the salt content that their batches gave."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from daemon.cli.command_client import send_and_report
from daemon.cli.output import NOT_SO, emit, fail, journal_of, print_text, read_config, table
from daemon.journal.stored_lots import stored_lots
from daemon.mixing.batch import lots
from daemon.mixing.batch.lots import Lot

if TYPE_CHECKING:
    from daemon.config import Config
    from daemon.entries import JSON

lot = typer.Typer(
    help="Record lots of salt mix: what was bought, what is left, what it holds.",
    no_args_is_help=True,
)

ConfigPath = Annotated[Path | None, typer.Option("--config", help="Configuration file.")]
Json = Annotated[bool, typer.Option("--json", help="Print one object, or one per line.")]
Name = Annotated[str, typer.Argument(help="Your own name for it.")]
Number = Annotated[str | None, typer.Option(help="Printed on the bag.")]
Opened = Annotated[str | None, typer.Option(help="Date, such as 2026-03-02.")]
Label = Annotated[float | None, typer.Option(help="Grams of salt per gram of mix, by the label.")]


def register(app: typer.Typer) -> None:
    """Add the verbs to the command line."""
    app.add_typer(lot, name="lot")


@lot.command()
def add(
    *,
    name: Name,
    number: Number = None,
    bought: Annotated[float | None, typer.Option(help="Mass bought, grams.")] = None,
    left: Annotated[float | None, typer.Option(help="Mass left, grams, if not all.")] = None,
    opened: Opened = None,
    label_yield: Label = None,
    config: ConfigPath = None,
    as_json: Json = False,
) -> None:
    """Record a new lot."""
    arguments: dict[str, JSON] = {
        "name": name,
        "number": number,
        "bought_g": bought,
        "left_g": left,
        "opened_on": opened,
        "label_yield": label_yield,
    }
    send_and_report(read_config(config), "lot.add", "", arguments, as_json=as_json)


@lot.command()
def adjust(
    *,
    name: Name,
    number: Number = None,
    left: Annotated[float | None, typer.Option(help="Mass left, weighed again, grams.")] = None,
    opened: Opened = None,
    label_yield: Label = None,
    config: ConfigPath = None,
    as_json: Json = False,
) -> None:
    """Correct the record of a lot."""
    arguments: dict[str, JSON] = {
        "name": name,
        "number": number,
        "left_g": left,
        "opened_on": opened,
        "label_yield": label_yield,
    }
    send_and_report(read_config(config), "lot.adjust", "", arguments, as_json=as_json)


@lot.command(name="list")
def list_(*, config: ConfigPath = None, as_json: Json = False) -> None:
    """List the lots."""
    known, t_s = recorded_lots(read_config(config))
    if as_json:
        for each in known.values():
            emit(_payload(each, t_s), as_json=True)
        return
    if not known:
        fail("no lot is recorded yet; see 'brinewright lot add'", NOT_SO)
    rows = [
        (each.name, each.number or "-", _left(each), _salt_content(each, t_s))
        for each in known.values()
    ]
    print_text(table(rows, ("lot", "lot number", "left", "salt content")))


@lot.command()
def show(*, name: Name, config: ConfigPath = None, as_json: Json = False) -> None:
    """Show one lot and the salt content that its batches gave."""
    known, t_s = recorded_lots(read_config(config))
    if name not in known:
        fail(f"there is no lot {name!r}; known are {', '.join(known) or 'none'}", NOT_SO)
    each = known[name]
    rows = [
        ("lot", each.name),
        ("lot number", each.number or "not recorded"),
        ("bought", "not recorded" if each.bought_g is None else f"{each.bought_g:g} g"),
        ("left", _left(each)),
        ("opened", each.opened_on or "not recorded"),
        ("salt content", _salt_content(each, t_s)),
    ]
    rows += [(w.batch, f"gave {w.mix_yield:.3f} ± {2 * w.u:.3f} (k=2)") for w in each.weighings]
    emit(_payload(each, t_s), as_json=as_json, text=table(rows))


def recorded_lots(config: Config) -> tuple[dict[str, Lot], float]:
    """Return the lots as the journal has them, and the station's time, s."""
    checkpoint = journal_of(config.journal.path).checkpoint()
    return ({}, 0.0) if checkpoint is None else stored_lots(checkpoint[1])


def _payload(each: Lot, t_s: float) -> dict[str, JSON]:
    estimate = lots.estimate(each, t_s)
    return {
        "lot": each.name,
        "number": each.number or None,
        "bought_g": each.bought_g,
        "left_g": each.left_g,
        "opened_on": each.opened_on,
        "mix_yield": round(estimate.value, 4),
        "mix_yield_u": round(estimate.u, 4),
        "batches": estimate.count,
        "basis": estimate.basis,
    }


def _left(each: Lot) -> str:
    return "not recorded" if each.left_g is None else f"{each.left_g:g} g"


def _salt_content(each: Lot, t_s: float) -> str:
    estimate = lots.estimate(each, t_s)
    batches = f", {estimate.count} batches" if estimate.count else ""
    return f"{estimate.value:.3f} ± {2 * estimate.u:.3f} (k=2, {estimate.basis}{batches})"
