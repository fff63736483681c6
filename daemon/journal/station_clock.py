"""The clock of a station: the machine's, or that of a rehearsal, which the journal knows."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from daemon.clock import Clock, clock_of
from daemon.journal.errors import JournalError
from daemon.journal.reader import Reader

if TYPE_CHECKING:
    from pathlib import Path

    from daemon.config import Config
    from daemon.entries import Instant


def station_clock(config: Config) -> Clock:
    """Return the machine's clock, or the faster one of a rehearsal."""
    station = config.station
    return clock_of(
        station.rehearsal_speed, station.rehearsal_since, partial(newest, config.journal.path)
    )


def newest(journal: Path) -> Instant | None:
    """Return the moment of the newest record; None where there is none, or none can be read."""
    reader = Reader(journal)
    try:
        stored = reader.after(reader.last_seq() - 1, 1)
    except JournalError:
        return None
    return stored[-1].entry.at if stored else None
