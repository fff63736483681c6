"""Live streams over HTTP: which there are, and the answer that begins one."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from http import HTTPStatus

from daemon.page.api.endpoint import Schema
from daemon.page.request import Request
from daemon.page.response import EVENT_STREAM, Response, text_response
from daemon.page.routes import Route

AGAIN_MS = 2000
"""After a loss a browser comes again in so long, ms."""
NO_BUFFER = (("X-Accel-Buffering", "no"),)
"""Asks a proxy in front of the page to pass on what comes at once (nginx, from memory)."""


STATION = "/api/live"
DESCRIPTION: Schema = {
    STATION: {
        "get": {
            "summary": "The present state as server-sent events.",
            "description": (
                "`station` at once and whenever something changed, with what /api/station gives;"
                " `beat` every two seconds, with `time` and `seq`."
            ),
            "operationId": "live",
            "responses": {
                "200": {
                    "description": "It goes on until either side ends it.",
                    "content": {EVENT_STREAM: {"schema": {"type": "string"}}},
                }
            },
        }
    }
}
"""How OpenAPI describes the stream for programs."""


@dataclass(frozen=True, slots=True)
class LiveDoor:
    """Lets pages and programs follow.

    Attributes:
        pages: Names of streams that pages follow.
    """

    pages: Collection[str]

    def routes(self) -> tuple[Route, ...]:
        """Return the two routes: for pages, and for programs."""
        return (Route("/live", self._page, listed=False), Route(STATION, self._station))

    def _page(self, request: Request, _: Mapping[str, str]) -> Response:
        name = request.value("page")
        if name not in self.pages:
            return text_response(HTTPStatus.NOT_FOUND, "there is no page that is live by this name")
        return _begun(name)

    def _station(self, _request: Request, _: Mapping[str, str]) -> Response:
        return _begun("station")


def _begun(stream: str) -> Response:
    body = f"retry: {AGAIN_MS}\n\n".encode()
    return Response(HTTPStatus.OK, EVENT_STREAM, body, NO_BUFFER, stream=stream)
