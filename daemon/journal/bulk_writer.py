"""Many entries into a new journal, as fast as they come: those of a recording."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING

from daemon.journal.checkpoint import dump
from daemon.journal.shapes import to_object
from daemon.journal.writer import Writer

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from daemon.entries import Entry, Sample
    from daemon.mixing.station.station import Station

AT_ONCE = 1000
"""Entries written together; between two of a service there are seconds, here microseconds."""


class BulkWriter:
    """Writes what a station made of each sample, many at a time."""

    def __init__(self, writer: Writer, station: Station) -> None:
        """Take the journal and the station whose snapshots it gets."""
        self._writer = writer
        self._station = station
        self._entries: list[Entry] = []
        self._last: Sample | None = None

    def add(self, sample: Sample, entries: Sequence[Entry]) -> None:
        """Take what followed from one sample."""
        self._last = sample
        self._entries += entries
        if len(self._entries) >= AT_ONCE:
            self.flush()

    def flush(self) -> None:
        """Write what waits, with a snapshot and a checkpoint of this moment.

        Raises:
            JournalError: It cannot be written.
        """
        if self._last is None:
            return
        name, at = self._last.reservoir, self._last.at
        snapshots = {name: to_object(self._station.snapshot(name, at))}
        self._writer.append(self._entries, at.mono_s, snapshots, dump(self._station.state))
        self._entries.clear()


@contextmanager
def bulk_writer(path: Path, station: Station) -> Iterator[BulkWriter]:
    """Give a new journal at `path`; what waits is written when the block ends well.

    Raises:
        JournalError: It cannot be made or written.
    """
    with Writer(path) as writer:
        bulk = BulkWriter(writer, station)
        yield bulk
        bulk.flush()
