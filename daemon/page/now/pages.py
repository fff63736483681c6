"""The routes of the present state: the page, and what monitors ask for."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from http import HTTPStatus

from daemon.page.acts.command_desk import CommandDesk
from daemon.page.healthz import health
from daemon.page.now import now_page
from daemon.page.now.buttons import no_presses
from daemon.page.now.now_page import HERE, Acting
from daemon.page.request import Request
from daemon.page.response import Response, html_response, text_response
from daemon.page.routes import Route
from daemon.page.serving.live import Parts
from daemon.page.sources import Sources
from daemon.page.view import StationView


@dataclass(frozen=True, slots=True)
class _Pages:
    sources: Sources
    desk: CommandDesk | None

    def now(self, request: Request, _: Mapping[str, str]) -> Response:
        return html_response(now_page.now_page(self.sources.view(request), self._acting(request)))

    def _acting(self, request: Request) -> Acting | None:
        desk = self.desk
        if desk is None:
            return None
        visitor = desk.visitor(request)
        return Acting(
            desk.presses,
            visitor,
            desk.press_form(visitor, HERE),
            desk.answer(request),
            desk.access.warning,
        )

    def metrics(self, request: Request, _: Mapping[str, str]) -> Response:
        from daemon.page.metrics import exposition  # noqa: PLC0415 - 3 MB, for who is scraped

        accept = request.environ.get("HTTP_ACCEPT", "")
        body, content_type = exposition(self.sources.view(request), accept)
        return Response(HTTPStatus.OK, content_type, body)

    def healthz(self, request: Request, _: Mapping[str, str]) -> Response:
        well, sentence = health(self.sources.view(request))
        status = HTTPStatus.OK if well else HTTPStatus.SERVICE_UNAVAILABLE
        return text_response(status, sentence)


def routes(sources: Sources, desk: CommandDesk | None) -> tuple[Route, ...]:
    """Return the routes of the present state.

    Args:
        sources: What they read from.
        desk: Takes commands; None where none are configured.
    """
    pages = _Pages(sources, desk)
    return (
        Route(HERE, pages.now),
        Route("/metrics", pages.metrics),
        Route("/healthz", pages.healthz),
    )


def live_parts(desk: CommandDesk | None) -> Callable[[StationView], Parts]:
    """Return what composes the live parts of a view.

    Args:
        desk: Takes commands; None where none are configured.
    """
    return partial(now_page.live_parts, presses=no_presses if desk is None else desk.presses)
