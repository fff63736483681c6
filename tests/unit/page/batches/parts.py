"""The pages of batches over a journal that a test made, asked without a socket."""

from __future__ import annotations

import io
import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import unquote, urlsplit
from wsgiref.util import setup_testing_defaults

from daemon.page.frame import Frame
from daemon.page.site import make_site
from daemon.page.sources import Sources
from daemon.page.view import DisplaySettings
from tests.page.page_parts import station_view

SETTINGS = (
    DisplaySettings("mix-1", 34.0, 1.0, 60.0, 24.0, "Mixing vat", 220.0, 180.0, (), 0.95, 0.88),
    DisplaySettings("mix-2", 33.0, 1.0),
)


@dataclass(frozen=True)
class Reply:
    """What the page answered."""

    status: int
    body: str
    headers: dict[str, str] = field(default_factory=dict)

    @property
    def json(self) -> Any:  # noqa: ANN401 - whatever it is
        """The body as JSON."""
        return json.loads(self.body)


def ask(journal: Path, address: str) -> Reply:
    """Ask the page over a journal for an address, once."""
    sources = Sources(station_view, journal, SETTINGS, Frame("Quarantine wing"))
    parts = urlsplit(address)
    environ: dict[str, Any] = {
        "PATH_INFO": unquote(parts.path), "QUERY_STRING": parts.query, "HTTP_HOST": "127.0.0.1",
        "REQUEST_METHOD": "GET", "wsgi.input": io.BytesIO(),
    }  # fmt: skip
    setup_testing_defaults(environ)
    found: list[tuple[int, dict[str, str]]] = []

    def start(status: str, headers: list[tuple[str, str]]) -> None:
        found.append((int(status[:3]), dict(headers)))

    body = b"".join(make_site(sources).application(environ, start))  # type: ignore[arg-type]
    return Reply(found[0][0], body.decode(), found[0][1])
