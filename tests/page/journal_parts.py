"""The whole page over a real journal, with a batch in it."""

from __future__ import annotations

from datetime import UTC
from functools import partial
from pathlib import Path

from daemon.entries import Instant
from daemon.journal.bulk_writer import bulk_writer
from daemon.journal.reader import Reader
from daemon.page.site import Site, make_site
from daemon.page.sources import Sources
from daemon.page.view import ViewReader
from tests.page.page_parts import display_settings
from tests.parts.stories import Story, a_station, mixed


def record(path: Path, story: Story | None = None) -> Instant:
    """Write the journal of a story, a batch to its release unless given; return its last moment."""
    told, station = mixed() if story is None else story, a_station()
    with bulk_writer(path, station) as bulk:
        for sample in told.samples:
            bulk.add(sample, station.advance(sample))
    return told.samples[-1].at


def site_over(path: Path, now: Instant) -> Site:
    """The page over a journal, at a moment."""
    settings = (display_settings(),)
    look = ViewReader(
        "quarantine-wing", settings, path, Reader(path), lambda _: (), lambda: now, UTC
    )
    return make_site(Sources(partial(look.read), path, settings))
