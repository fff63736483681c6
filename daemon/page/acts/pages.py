"""The routes of acts: the forms, where they are sent, and what came of one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from daemon.page.acts.command_desk import CommandDesk
from daemon.page.acts.forms import act_page
from daemon.page.request import Request
from daemon.page.response import Response, html_response
from daemon.page.routes import Route
from daemon.page.sources import Sources

ACT, COMMAND = "/act", "/command"


@dataclass(frozen=True, slots=True)
class _Pages:
    sources: Sources
    desk: CommandDesk

    def act(self, request: Request, _: Mapping[str, str]) -> Response:
        desk = self.desk
        view = self.sources.view(request)
        return html_response(act_page(view, desk.allowed, desk.secret, desk.make_id))

    def command(self, request: Request, _: Mapping[str, str]) -> Response:
        if request.method == "POST":
            return self.desk.handle_post(request.environ)
        return self.desk.answer(request.environ)


def routes(sources: Sources, desk: CommandDesk | None) -> tuple[Route, ...]:
    """Return the routes of acts; none where no commands are configured."""
    if desk is None:
        return ()
    pages = _Pages(sources, desk)
    return (Route(ACT, pages.act), Route(COMMAND, pages.command, ("GET", "POST")))
