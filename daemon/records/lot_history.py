"""What is known of each lot of salt mix: its salt content, by which batches, and what changed."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from statistics import stdev
from typing import TYPE_CHECKING

from calibration.gum import COVERAGE_K
from daemon.entries import Phase
from daemon.journal.stored_lots import stored_lots
from daemon.mixing.batch import lots
from daemon.mixing.batch.lots import Lot, SaltContent, Weighing
from daemon.mixing.events import PhaseChanged

if TYPE_CHECKING:
    from daemon.journal.reader import Reader


@dataclass(frozen=True, slots=True)
class BatchContent:
    """The salt content that one batch showed.

    Attributes:
        batch: Its id.
        at: When it was first released, UTC; None where the journal no longer has it.
        content: Grams of sea salt per gram of mix.
        u: Its standard uncertainty.
    """

    batch: str
    at: datetime | None
    content: float
    u: float


@dataclass(frozen=True, slots=True)
class Change:
    """What the last batch changed.

    Attributes:
        batch: Its id.
        before: The salt content before it.
        after: The salt content with it.
        agrees: Whether what it showed lies within the expanded uncertainty of both.
    """

    batch: str
    before: SaltContent
    after: SaltContent
    agrees: bool


@dataclass(frozen=True, slots=True)
class LotHistory:
    """One lot.

    Attributes:
        lot: As it was recorded.
        content: Its salt content now.
        shown: By each of the batches that count, oldest first.
        spread: Standard deviation of those, g/g; None for fewer than two.
        change: What the last of them changed; None for none.
    """

    lot: Lot
    content: SaltContent
    shown: Sequence[BatchContent]
    spread: float | None
    change: Change | None


def histories(reader: Reader) -> list[LotHistory]:
    """Return what is known of each lot, the one of the newest batch first.

    Raises:
        JournalError: It cannot be read.
    """
    known, t_s = _state(reader)
    found = [_history(each, t_s, reader) for each in known.values()]
    return sorted(found, key=_newest, reverse=True)


def history_of(lot: Lot, t_s: float, released: Mapping[str, datetime]) -> LotHistory:
    """Return what is known of a lot.

    Args:
        lot: It.
        t_s: Now, s, on the clock of its weighings.
        released: When its batches were first released, by their ids, as far as known.
    """
    values = [each.mix_yield for each in lot.weighings]
    return LotHistory(
        lot,
        lots.estimate(lot, t_s),
        [
            BatchContent(each.batch, released.get(each.batch), each.mix_yield, each.u)
            for each in lot.weighings
        ],
        stdev(values) if len(values) > 1 else None,
        _change(lot),
    )


def _state(reader: Reader) -> tuple[dict[str, Lot], float]:
    checkpoint = reader.checkpoint()
    return ({}, 0.0) if checkpoint is None else stored_lots(checkpoint[1])


def _history(lot: Lot, t_s: float, reader: Reader) -> LotHistory:
    moments = ((each.batch, _released(reader, each.batch)) for each in lot.weighings)
    return history_of(lot, t_s, {batch: at for batch, at in moments if at is not None})


def _released(reader: Reader, batch: str) -> datetime | None:
    for _, event in reader.events(batch):
        match event.body:
            case PhaseChanged(to=Phase.READY):
                return event.at.wall
    return None


def _newest(each: LotHistory) -> float:
    return max((weighing.t_s for weighing in each.lot.weighings), default=-math.inf)


def _change(lot: Lot) -> Change | None:
    if not lot.weighings:
        return None
    last = lot.weighings[-1]
    before = lots.estimate(replace(lot, weighings=lot.weighings[:-1]), last.t_s)
    return Change(last.batch, before, lots.estimate(lot, last.t_s), _agrees(last, before))


def _agrees(last: Weighing, before: SaltContent) -> bool:
    """Say whether a batch and what was known before it differ by no more than both may.

    Source: the criterion of E_n, ISO 13528:2022, 9.7 (from memory).
    """
    return abs(last.mix_yield - before.value) <= COVERAGE_K * math.hypot(last.u, before.u)
