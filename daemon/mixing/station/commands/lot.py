"""Commands about the lots of salt mix: add one, correct one."""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.mixing.batch import lots
from daemon.mixing.batch.lots import Lot
from daemon.mixing.station.commands.context import (
    LONGEST_NAME,
    CommandResult,
    LotContext,
    Rejected,
    Verb,
)

if TYPE_CHECKING:
    from collections.abc import Mapping

MAX_G = 1_000_000.0
MAX_LOTS = 1_000
NAMED_LOTS = 12


def _add_lot(context: LotContext) -> CommandResult:
    """Add a lot of salt mix."""
    name = context.arguments.text("name", LONGEST_NAME)
    if name in context.lots:
        raise Rejected(f"there is a lot {name!r} already; choose another name, or adjust that one")
    if len(context.lots) >= MAX_LOTS:
        raise Rejected(f"there are {MAX_LOTS} lots in the books, which is all that they hold")
    bought_g = context.arguments.number("bought_g", 0.0, MAX_G)
    left_g = context.arguments.number("left_g", 0.0, MAX_G)
    context.lots[name] = Lot(
        name=name,
        number=context.arguments.text("number", LONGEST_NAME),
        bought_g=bought_g,
        left_g=bought_g if left_g is None else left_g,
        opened_on=context.arguments.text("opened_on", LONGEST_NAME) or None,
        label_yield=context.arguments.number("label_yield", 0.5, 1.0),
    )
    return CommandResult(f"lot {name} added")


def _adjust_lot(context: LotContext) -> CommandResult:
    """Correct the record of a lot."""
    name = context.arguments.text("name", LONGEST_NAME)
    lot = lot_named(context.lots, name)
    left_g = context.arguments.number("left_g", 0.0, MAX_G)
    label = context.arguments.number("label_yield", 0.5, 1.0)
    changed = Lot(
        name,
        context.arguments.text("number", LONGEST_NAME) or lot.number,
        lot.bought_g,
        lot.left_g,
        context.arguments.text("opened_on", LONGEST_NAME) or lot.opened_on,
        lot.label_yield if label is None else label,
        lot.weighings,
    )
    if left_g is not None:
        lots.set_left(changed, left_g)
    context.lots[name] = changed
    left = "unknown" if changed.left_g is None else f"{changed.left_g:g} g"
    return CommandResult(f"lot {name}: {left} left")


def lot_named(by_name: Mapping[str, Lot], name: str) -> Lot:
    """Return a lot by name.

    Raises:
        Rejected: There is none; some of those there are are named.
    """
    if name not in by_name:
        names = ", ".join([*by_name][:NAMED_LOTS]) or "none"
        raise Rejected(f"there is no lot {name!r}; known are {names}")
    return by_name[name]


VERBS: dict[str, Verb[LotContext]] = {
    "lot.add": Verb(_add_lot, ("name", "number", "bought_g", "left_g", "opened_on", "label_yield")),
    "lot.adjust": Verb(_adjust_lot, ("name", "number", "left_g", "opened_on", "label_yield")),
}
