"""What the pages and the endpoints of batches read: records, what they had to meet, curves."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from threading import Lock
from typing import TYPE_CHECKING, TypeAlias

from daemon.page.batches.outcomes import Present
from daemon.records.batch_curve import Curve, curve_of
from daemon.records.batch_index import BatchPage, page_of, record_of
from daemon.records.batch_samples import NO_HEAD, Head
from daemon.records.batch_setup import Setup, Targets, made_of, targets_from
from daemon.records.lot_numbers import lot_numbers

if TYPE_CHECKING:
    from daemon.mixing.batch.batch_record import BatchRecord
    from daemon.page.request import Request
    from daemon.page.sources import Sources
    from daemon.page.view import DisplaySettings
    from daemon.records.lot_history import LotHistory

Key: TypeAlias = tuple[str, str, int, int, int]
"""Journal, batch, its events, what has become minutes, and how many points: all that a curve of
an ended batch hangs on."""
CURVES_KEPT = 24
"""Three comparisons of eight; some 100 kB each."""
POINTS = 600
"""Points of a curve on a screen: two of each pair of pixels of a phone."""


@dataclass(slots=True)
class CurveShelf:
    """The last curves that were read; safe to be used by several threads.

    Of ended batches they are given out again, of others what they begin with.
    """

    _curves: OrderedDict[Key, Curve] = field(default_factory=OrderedDict, init=False)
    _heads: dict[str, tuple[str, Head]] = field(default_factory=dict, init=False)
    _lock: Lock = field(default_factory=Lock, init=False)

    def get(self, key: Key, read: Callable[[], Curve]) -> Curve:
        """Return a curve, read only where it is not kept."""
        with self._lock:
            if key in self._curves:
                self._curves.move_to_end(key)
                return self._curves[key]
        curve = read()
        with self._lock:
            self._curves[key] = curve
            while len(self._curves) > CURVES_KEPT:
                self._curves.popitem(last=False)
        return curve

    def go_on(self, reservoir: str, batch: str, read: Callable[[Head], Curve]) -> Curve:
        """Return the curve of a batch that goes on, read from where it was left last.

        Args:
            reservoir: Where the batch is; there is one at a time.
            batch: Which journal and batch it is of.
            read: Reads it, given what it begins with.
        """
        with self._lock:
            known, head = self._heads.get(reservoir, ("", NO_HEAD))
        curve = read(head if known == batch else NO_HEAD)
        with self._lock:
            self._heads[reservoir] = batch, curve.head
        return curve


@dataclass(frozen=True, slots=True)
class BatchSource:
    """Reads batches; each question opens the journal for itself.

    Attributes:
        sources: What the page reads from.
    """

    sources: Sources
    _shelf: CurveShelf = field(default_factory=CurveShelf, init=False)

    def present(self, request: Request) -> Present:
        """Return what is there at the moment of a request."""
        snapshots = self.sources.reader.snapshots().values()
        return Present(
            frozenset(each.batch for each in snapshots if each.batch),
            self.sources.view(request).at,
            {each.name: each.use_within_h for each in self.sources.settings},
        )

    def page(self, before: int | None, limit: int, reservoir: str | None) -> BatchPage:
        """Return a page of the list."""
        return page_of(self.sources.reader, before, limit, reservoir)

    def record(self, batch: str) -> BatchRecord | None:
        """Return the record of a batch; None where there is none."""
        return record_of(self.sources.reader, batch)

    def lot_numbers(self) -> Mapping[str, str]:
        """Return the numbers on the bags of the lots, by the names of these."""
        return lot_numbers(self.sources.reader)

    def histories(self) -> list[LotHistory]:
        """Return what is known of each lot."""
        from daemon.records.lot_history import (  # noqa: PLC0415 - the equations: 16 MB
            histories,
        )

        return histories(self.sources.reader)

    def setup(self, record: BatchRecord, numbers: Mapping[str, str] | None = None) -> Setup:
        """Return the salt and water of a batch and what it has to meet, by the settings of now."""
        made = made_of(record, self._targets(record.reservoir), numbers or {})
        return replace(made, station=self.sources.frame.title, zone=self.sources.zone)

    def curve(self, record: BatchRecord, points: int = POINTS) -> Curve:
        """Return the curve of a batch; that of an ended one is read once."""
        reader = self.sources.reader
        if record.ended is None:
            of = f"{reader.identity()} {record.id}"
            return self._shelf.go_on(
                record.reservoir, of, lambda head: curve_of(reader, record, points, head)
            )
        key = (reader.identity(), record.id, len(record.events), reader.summarised_to(), points)
        return self._shelf.get(key, lambda: replace(curve_of(reader, record, points), head=NO_HEAD))

    def title(self, reservoir: str) -> str:
        """Return what people call a reservoir; its name where it is no longer configured."""
        found = self._settings(reservoir)
        return reservoir if found is None else found.title

    def configured(self, reservoir: str) -> bool:
        """Say whether a reservoir is still in the configuration."""
        return self._settings(reservoir) is not None

    def _targets(self, reservoir: str) -> Targets | None:
        found = self._settings(reservoir)
        return None if found is None else targets_from(found)

    def _settings(self, reservoir: str) -> DisplaySettings | None:
        return next((each for each in self.sources.settings if each.name == reservoir), None)
