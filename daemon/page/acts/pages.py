"""The routes of acts: what can be done now, where it is sent, and what was not sent."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from http import HTTPStatus
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from daemon.journal.allowance import TOO_MANY
from daemon.journal.command_format import BadRequestError, answer_of
from daemon.journal.errors import JournalError
from daemon.journal.inbox import CannotBeSentError
from daemon.local_time import SECOND, local
from daemon.page.acts.act_view import all_places, place_acts, places_now
from daemon.page.acts.command_desk import CommandDesk, NotSent, Sent
from daemon.page.acts.form_data import ACT_PAGE, FORM, body_of, from_a_tool, from_json
from daemon.page.acts.lot_names import lot_names
from daemon.page.acts.refusal import RETRY, refusal_headers
from daemon.page.acts.sign_in import SignIn
from daemon.page.frame import Page, framed, template
from daemon.page.request import Request
from daemon.page.response import JSON_TYPE, Response, json_response, text_response
from daemon.page.routes import Route
from daemon.page.sources import Sources

if TYPE_CHECKING:
    from daemon.entries import JSON
    from daemon.page.acts.access import Visitor
    from daemon.page.view import StationView

COMMAND = "/command"
STREAM = "acts"
STYLES, SCRIPTS = ("acts.css",), ("acts.js",)
"""What a page needs that has forms or answers of this room."""
TOOLS_ALONE = (
    "JSON is taken from tools, with the header 'X-Brinewright: 1' or 'Authorization: Bearer TOKEN'"
    " and without those that browsers send (Origin, Sec-Fetch-Site)"
)


@dataclass(frozen=True, slots=True)
class _Pages:
    sources: Sources
    desk: CommandDesk

    def act(self, request: Request, _: Mapping[str, str]) -> Response:
        view, visitor = self.sources.view(request), self.desk.visitor(request)
        answer = self.desk.answer(request)
        places = place_acts(view, lambda offers: self.desk.forms(visitor, offers, ACT_PAGE, answer))
        stray = answer is not None and answer.place not in all_places(places)
        return framed(
            self.sources.frame,
            Page(
                "act.html",
                "Acts",
                ACT_PAGE,
                scripts=SCRIPTS,
                styles=STYLES,
                stream=STREAM,
                refresh="" if answer is None else answer.refresh,
            ),
            who=visitor,
            warning=self.desk.access.warning,
            reply=answer,
            stray=answer.place if answer and stray else None,
            trouble=view.trouble,
            places=places if visitor.may_act else [],
            lot_names=lot_names(self.sources.reader) if visitor.may_act else (),
            at=local(view.at, view.zone, SECOND),
        )

    def command(self, request: Request, _: Mapping[str, str]) -> Response:
        if request.method != "POST":
            return self._status(request)
        kind = request.environ.get("CONTENT_TYPE", "").partition(";")[0].strip().lower()
        if kind == JSON_TYPE:
            return self._take_json(request)
        if kind == FORM:
            return self._take_form(request)
        return text_response(HTTPStatus.UNSUPPORTED_MEDIA_TYPE, f"{FORM} and {JSON_TYPE} are taken")

    def _status(self, request: Request) -> Response:
        """Report to a tool what came of its command: GET /command?id=ID."""
        id_ = request.value("id")
        if not id_ or not id_.isprintable():
            reply: dict[str, JSON] = {"ok": False, "answer": "say which: ?id=ID"}
            return json_response(reply, HTTPStatus.BAD_REQUEST)
        command = self.desk.status_of(id_)
        if command.answer is not None:
            return json_response(answer_of(command.answer), command.status)
        return json_response({"id": id_, "ok": None, "answer": command.why}, command.status)

    def _take_form(self, request: Request) -> Response:
        outcome = self.desk.take_form(request)
        if isinstance(outcome, Sent):
            headers = (("Location", outcome.location), *outcome.cookies)
            return text_response(
                HTTPStatus.SEE_OTHER, f"it is answered at {outcome.location}", headers
            )
        return self._not_sent(outcome)

    def _not_sent(self, outcome: NotSent) -> Response:
        form = outcome.form
        about = "" if form is None else form.hidden.get("name") or form.hidden.get("batch", "")
        response = framed(
            self.sources.frame,
            Page("not_sent.html", "Not sent", scripts=SCRIPTS, styles=STYLES),
            outcome.status,
            why=outcome.why,
            who=outcome.visitor,
            here=outcome.here,
            it=form,
            about=about,
            lot_names=() if form is None else lot_names(self.sources.reader),
        )
        return replace(response, more=refusal_headers(outcome.status))

    def _take_json(self, request: Request) -> Response:
        if not from_a_tool(request.environ):
            return text_response(HTTPStatus.FORBIDDEN, TOOLS_ALONE)
        visitor = self.desk.access.tool(request.environ)
        if not visitor.may_act:
            return _refused(visitor)
        if not self.desk.within_rate():
            return text_response(HTTPStatus.TOO_MANY_REQUESTS, TOO_MANY, (RETRY,))
        return self._submit_json(request, visitor)

    def _submit_json(self, request: Request, visitor: Visitor) -> Response:
        try:
            posted = from_json(body_of(request.environ))
            id_, new, before = self.desk.take_json(posted, visitor)
        except (BadRequestError, CannotBeSentError) as exc:
            return json_response({"ok": False, "answer": str(exc)}, HTTPStatus.BAD_REQUEST)
        except JournalError as exc:
            return json_response({"ok": None, "answer": str(exc)}, HTTPStatus.SERVICE_UNAVAILABLE)
        if before is not None:
            return json_response({**answer_of(before), "repeated": True})
        where = f"{COMMAND}?id={quote(id_, safe='')}"
        reply: dict[str, JSON] = {"id": id_, "ok": None, "answer": f"it is answered at {where}"}
        more: dict[str, JSON] = {} if new else {"repeated": True}
        response = json_response(reply | more, HTTPStatus.ACCEPTED)
        return replace(response, more=(("Location", where),))


def _refused(visitor: Visitor) -> Response:
    response = json_response({"ok": False, "answer": visitor.why}, visitor.status)
    return replace(response, more=refusal_headers(visitor.status))


def live_parts(view: StationView) -> dict[str, str]:
    """Return what is live on the page of acts; the forms are not, as a person fills them in."""
    parts: Any = template("act_parts.html").module
    return {f"act-{key}": str(parts.now(each)) for key, each in places_now(view).items()}


def routes(sources: Sources, desk: CommandDesk | None) -> tuple[Route, ...]:
    """Return the routes of acts; none where no commands are configured.

    Args:
        sources: What they read from.
        desk: Takes commands; None where none are configured.
    """
    if desk is None:
        return ()
    pages = _Pages(sources, desk)
    return (
        Route(ACT_PAGE, pages.act),
        Route(COMMAND, pages.command, ("GET", "POST")),
        *SignIn(desk.access, sources.frame).routes(),
    )
