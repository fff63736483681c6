"""Parts of the tests of calibrations on the page: a station's journal, and what reads it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

from daemon.journal.checkpoint import dump
from daemon.journal.inbox import Inbox, beside
from daemon.journal.reader import Reader
from daemon.journal.writer import Writer
from daemon.page.acts.command_desk import CommandDesk
from daemon.page.calibrations.answers import RoutineAnswer
from daemon.page.calibrations.calibration_source import CalibrationSource
from daemon.page.calibrations.kinds import CALIBRATION_KINDS
from daemon.page.calibrations.pages import routes
from daemon.page.request import Request, request_from
from daemon.page.sources import Sources
from daemon.page.view import (
    DisplaySettings,
    ProbeDisplay,
    ReservoirView,
    StationView,
    alarm_views,
)
from tests.parts.calibrating import Corner

ASKED = Request("GET", "/")


@dataclass
class Bench:
    """A corner whose entries are kept in a journal, which a page reads.

    Attributes:
        corner: The station with its probe and person.
        path: The journal.
        writer: Writes it.
        settings: Of its reservoirs.
        late_s: How far the page's clock is ahead of the last entry, s.
        source: What the page reads from.
    """

    corner: Corner
    path: Path
    writer: Writer
    settings: tuple[DisplaySettings, ...]
    late_s: float = 0.0
    source: CalibrationSource = field(init=False)
    _written: int = 0

    def __post_init__(self) -> None:
        """Begin to read."""
        self.source = CalibrationSource(Sources(self.view, self.path, self.settings))

    @property
    def at(self) -> datetime:
        """The present moment of the page."""
        return self.corner.wall + timedelta(seconds=self.late_s)

    def view(self) -> StationView:
        """The station as the page has it."""
        known = Reader(self.path).snapshots() if self.path.exists() else {}
        reservoirs = [ReservoirView(each, known.get(each.name), 1.0) for each in self.settings]
        alarms = [each for one in reservoirs for each in alarm_views("mix-1", one.snapshot)]
        return StationView("quarantine-wing", self.at, reservoirs, alarms)

    def write(self) -> None:
        """Write what has happened since."""
        entries = self.corner.entries[self._written :]
        self._written = len(self.corner.entries)
        snapshots = {"mix-1": self.corner.snapshot}
        state = dump(self.corner.station.state)
        self.writer.append(entries, self.corner.t_s, snapshots, state)

    def routines(self) -> tuple[RoutineAnswer, ...]:
        """Every routine, once all is written."""
        self.write()
        return self.source.routines(self.view())

    def routine(self) -> RoutineAnswer:
        """The only routine."""
        (only,) = self.routines()
        return only


@contextmanager
def bench(
    path: Path, corner: Corner | None = None, probes: tuple[str, ...] = ("ct-1",)
) -> Iterator[Bench]:
    """Give a bench.

    Args:
        path: A folder for its journal.
        corner: The station; a usual one when not given.
        probes: As configured now.
    """
    settings = DisplaySettings("mix-1", 34.0, 1.0, probes=tuple(map(ProbeDisplay, probes)))
    journal = path / "journal.db"
    with Writer(journal) as writer:
        yield Bench(corner or Corner(), journal, writer, (settings,))


def page_of(one: Bench, path: str, *verbs: str, query: str = "") -> str:
    """The markup of one of the pages.

    Args:
        one: The bench that it reads.
        path: Of the page.
        verbs: Commands that it takes; none for a page that takes none.
        query: Behind the question mark.
    """
    one.write()
    desk = desk_of(one, *verbs) if verbs else None
    (route,) = [each for each in routes(one.source, desk) if each.path == path]
    request = request_from({"REQUEST_METHOD": "GET", "PATH_INFO": path, "QUERY_STRING": query})
    return route.answer(request, {}).body.decode()


def desk_of(one: Bench, *verbs: str) -> CommandDesk:
    """What takes commands for a bench."""
    inbox = Inbox(beside(one.path))
    return CommandDesk(verbs, ("mix-1",), inbox, Reader(one.path), kinds=CALIBRATION_KINDS)
