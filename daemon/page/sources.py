"""What the rooms of the page read from."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, tzinfo
from pathlib import Path

from daemon.journal.reader import Reader
from daemon.journal.trend.trend import TrendReader
from daemon.journal.trend.trend_file import trend_path
from daemon.page.frame import Frame
from daemon.page.request import Request
from daemon.page.view import DisplaySettings, LatestView, StationView


@dataclass(frozen=True, slots=True)
class Sources:
    """What there is to read.

    Attributes:
        read_view: Gives a new view.
        journal: The journal's file.
        settings: Of the reservoirs, in the order of the configuration.
        frame: What is about every page.
        zone: Of the station.
    """

    read_view: Callable[[], StationView]
    journal: Path
    settings: tuple[DisplaySettings, ...] = ()
    frame: Frame = field(default_factory=lambda: Frame("brinewright"))
    zone: tzinfo = UTC
    _latest: LatestView = field(default_factory=LatestView, init=False)

    @property
    def reader(self) -> Reader:
        """The journal, to be read."""
        return Reader(self.journal)

    @property
    def trend(self) -> TrendReader:
        """The trend of each reservoir."""
        return TrendReader(self.reader, trend_path(self.journal))

    def view(self, request: Request) -> StationView:
        """Return a view that is not from before a request."""
        return self._latest.since(request.requested_s, self.read_view)
