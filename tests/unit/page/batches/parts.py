"""The pages of batches over a journal that a test made, asked without a socket."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from daemon.page.frame import Frame
from daemon.page.site import Site, make_site
from daemon.page.sources import Sources
from daemon.page.view import DisplaySettings
from tests.page.page_parts import Reply, asked, station_view

SETTINGS = (
    DisplaySettings(
        "mix-1", 34.0, 1.0, use_within_h=24.0, label="Mixing vat", release_confidence=0.95
    ),
    DisplaySettings("mix-2", 33.0, 1.0),
)


def site_over(journal: Path) -> Site:
    """The page over a journal."""
    return make_site(Sources(station_view, journal, SETTINGS, Frame("Quarantine wing")))


def ask(journal: Path, address: str) -> Reply:
    """What the page over a journal answers."""
    return asked(site_over(journal).application, address)


def json_in(reply: Reply) -> Any:  # noqa: ANN401 - whatever it is
    """The body of an answer as JSON."""
    return json.loads(reply.body)
