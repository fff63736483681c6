"""The scripts and styles of the page, and the library that draws charts, out of its package.

Each is read once, when it is first needed, and may be kept by a browser for ever: its address
holds the hash of what is in it.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from http import HTTPStatus
from importlib.resources import files
from importlib.util import find_spec
from pathlib import Path

from daemon.page.request import Request
from daemon.page.response import Response, text_response
from daemon.page.routes import Route

TYPES = {
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
}
FOR_EVER = "public, max-age=31536000, immutable"
LIBRARY = {"dygraph.js": "dygraph-combined.js", "dygraph.css": "dygraph.css"}
"""Files of the charts' library, by the name that they are served under."""


@dataclass(frozen=True, slots=True)
class StaticFile:
    """One file that never changes while this version runs."""

    content_type: str
    body: bytes
    version: str


@cache
def static_file(name: str) -> StaticFile | None:
    """Return a file by its name; None where there is none."""
    body = _content(name)
    content_type = TYPES.get(Path(name).suffix)
    if body is None or content_type is None:
        return None
    return StaticFile(content_type, body, hashlib.sha256(body).hexdigest()[:12])


def static_url(name: str) -> str:
    """Return the address of a file, with its version.

    Raises:
        FileNotFoundError: There is none.
    """
    found = static_file(name)
    if found is None:
        raise FileNotFoundError(f"there is no file {name} among those of the page")
    return f"/static/{name}?{found.version}"


def routes() -> tuple[Route, ...]:
    """Return the route of all files."""
    return (Route("/static/{name}", _answer, listed=False),)


def _answer(_request: Request, parameters: Mapping[str, str]) -> Response:
    found = static_file(parameters["name"])
    if found is None:
        return text_response(HTTPStatus.NOT_FOUND, "there is no such file")
    return Response(HTTPStatus.OK, found.content_type, found.body, cache=FOR_EVER)


def _content(name: str) -> bytes | None:
    if name in LIBRARY:
        return _library_content(LIBRARY[name])
    own = files("daemon.page").joinpath("static")
    # Among the names there are, so that no path leads out of the folder.
    if name not in {each.name for each in own.iterdir()}:
        return None
    return own.joinpath(name).read_bytes()


def _library_content(name: str) -> bytes | None:
    # Found without running any of it: only these two files are of use here.
    found = find_spec("dygraphs")
    if found is None or not found.submodule_search_locations:
        return None
    path = Path(found.submodule_search_locations[0]) / "assets" / name
    return path.read_bytes() if path.is_file() else None
