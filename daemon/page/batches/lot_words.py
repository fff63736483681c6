"""A lot of salt mix as a person reads it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo
from typing import TYPE_CHECKING

from daemon.local_time import local
from daemon.page.batches.batch_words import UNKNOWN, batch_url

if TYPE_CHECKING:
    from daemon.records.lot_history import Change, LotHistory

BASES = {
    "learned": "learned from its batches",
    "label": "from the label; no batch has shown it yet",
    "common practice": "common practice; no batch has shown it yet",
}
FEW = 5
"""From so many batches on their spread says something."""


@dataclass(frozen=True, slots=True)
class ShownRow:
    """What one batch showed: its id and address, when it was released, and the salt content."""

    batch: str
    url: str
    released: str
    content: str


@dataclass(frozen=True, slots=True)
class LotView:
    """A lot.

    Attributes:
        name: The owner's word for it.
        content: Its salt content with the expanded uncertainty.
        basis: Where that comes from.
        facts: Name and value.
        change: What the last batch changed; empty for nothing.
        dates: When each batch was first released, oldest first; empty where nobody knows.
        contradicts: Whether that batch contradicts those before it.
        shown: What each batch showed, the newest first.
    """

    name: str
    content: str
    basis: str
    facts: Sequence[tuple[str, str]]
    change: str
    dates: Sequence[str]
    contradicts: bool
    shown: Sequence[ShownRow]


def lot_view(history: LotHistory, zone: tzinfo) -> LotView:
    """Return a lot as a person reads it.

    Args:
        history: What is known of it.
        zone: Of the station.
    """
    lot, content = history.lot, history.content
    facts = [
        ("Lot number", lot.number or UNKNOWN),
        ("Batches that count", str(content.count)),
        ("Since", _since(history, zone)),
        ("Standard deviation of the batches", _spread(history)),
        ("Opened", lot.opened_on or UNKNOWN),
        ("Bought", _grams(lot.bought_g)),
        ("Left", _grams(lot.left_g)),
        ("By the label", UNKNOWN if lot.label_yield is None else f"{lot.label_yield:.3f} g/g"),
    ]
    return LotView(
        lot.name,
        f"{content.value:.3f} ± {2 * content.u:.3f}",
        BASES.get(content.basis, content.basis),
        facts,
        "" if history.change is None else _change(history.change),
        ["" if each.at is None else f"{each.at.astimezone(zone):%m-%d}" for each in history.shown],
        history.change is not None and not history.change.agrees,
        [
            ShownRow(
                each.batch,
                batch_url(each.batch),
                "no longer in the journal" if each.at is None else local(each.at, zone),
                f"{each.content:.3f} ± {2 * each.u:.3f}",
            )
            for each in reversed(history.shown)
        ],
    )


def _since(history: LotHistory, zone: tzinfo) -> str:
    first = next((each.at for each in history.shown if each.at is not None), None)
    return "–" if first is None else local(first, zone)


def _spread(history: LotHistory) -> str:
    if history.spread is None:
        return "unknown from fewer than two"
    few = f", from {len(history.shown)} only" if len(history.shown) < FEW else ""
    return f"{history.spread:.4f} g/g{few}"


def _grams(value: float | None) -> str:
    return UNKNOWN if value is None else f"{value:.0f} g"


def _change(change: Change) -> str:
    before, after = round(change.before.value, 3), round(change.after.value, 3)
    step = f"Batch {change.batch} left it at {after:.3f} g/g"
    if before != after:
        step = (
            f"Batch {change.batch} changed it from {before:.3f} to {after:.3f} g/g"
            f" ({after - before:+.3f})"
        )
    if change.agrees:
        return f"{step}; what it showed agrees with what was known before."
    return (
        f"{step}; what it showed lies outside what was known before:"
        " check the mass and the volume that were recorded."
    )
