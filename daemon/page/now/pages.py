"""The routes of the present state: the page, and what monitors ask for."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from http import HTTPStatus

from daemon.page.acts.answers import Answer
from daemon.page.acts.command_desk import CommandDesk
from daemon.page.blocks import Banner
from daemon.page.healthz import health
from daemon.page.metrics import exposition
from daemon.page.now.now_page import now_page
from daemon.page.request import Request
from daemon.page.response import Response, html_response, text_response
from daemon.page.routes import Route
from daemon.page.sources import Sources

READ_S = 30
"""So long the page shows an answer, s."""


@dataclass(frozen=True, slots=True)
class _Pages:
    sources: Sources
    desk: CommandDesk | None

    def now(self, request: Request, _: Mapping[str, str]) -> Response:
        banner = None if self.desk is None else _banner(self.desk.answer(request))
        acts = self.desk is not None
        return html_response(now_page(self.sources.view(request), banner, acts=acts))

    def metrics(self, request: Request, _: Mapping[str, str]) -> Response:
        accept = request.environ.get("HTTP_ACCEPT", "")
        body, content_type = exposition(self.sources.view(request), accept)
        return Response(HTTPStatus.OK, content_type, body)

    def healthz(self, request: Request, _: Mapping[str, str]) -> Response:
        well, sentence = health(self.sources.view(request))
        status = HTTPStatus.OK if well else HTTPStatus.SERVICE_UNAVAILABLE
        return text_response(status, sentence)


def _banner(answer: Answer | None) -> Banner | None:
    """Return what came of a command as a sentence at the head of the page."""
    if answer is None:
        return None
    known = answer.state in ("done", "refused")
    after_s, where = (READ_S, "/") if known else (1, answer.next_url)
    return Banner(answer.head, answer.text, where, after_s)


def routes(sources: Sources, desk: CommandDesk | None) -> tuple[Route, ...]:
    """Return the routes of the present state.

    Args:
        sources: What they read from.
        desk: Takes commands; None where none are configured.
    """
    pages = _Pages(sources, desk)
    return (
        Route("/", pages.now),
        Route("/metrics", pages.metrics),
        Route("/healthz", pages.healthz),
    )
