"""What is done for a journal besides writing to it, made from the configuration."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

from daemon.entries import Event, Instant
from daemon.journal.acknowledged import acknowledged_by_all
from daemon.journal.cursors import cursors_path
from daemon.journal.followers import followers
from daemon.journal.host_watch import HostWatch
from daemon.journal.reader import Reader
from daemon.journal.recovery.recovery import open_writer
from daemon.journal.retention import Retention, RetentionLimits
from daemon.journal.writer import Writer

if TYPE_CHECKING:
    from logging import Logger

    from daemon.config import Config

Open: TypeAlias = Callable[[Instant, str], tuple[Writer, list[Event]]]
"""Opens the journal at a moment, knowing what is wrong with it already, if anything is."""


@dataclass(frozen=True, slots=True)
class Upkeep:
    """The parts of it.

    Attributes:
        host: Looks at what the service runs on.
        retention: Turns old readings into summaries.
        open: Opens the journal, also a spoilt one.
    """

    host: HostWatch
    retention: Retention
    open: Open


def upkeep_of(config: Config, log: Logger) -> Upkeep:
    """Return what is done for the journal of a configuration; nothing is opened yet."""
    path, names = config.journal.path, config.publishers
    cursors, reader = cursors_path(path), Reader(path)
    return Upkeep(
        HostWatch(path, lambda now: followers(path, cursors, names, now)),
        Retention(
            RetentionLimits(config.journal.keep_readings_days, config.journal.largest_mb),
            # Looked up each time, for another journal may have taken the place of a spoilt one.
            lambda: acknowledged_by_all(cursors, reader.identity(), names),
        ),
        lambda now, why: open_writer(path, config.journal.flush_interval_s, now, log, why),
    )
