"""Commands that come over the page: into the inbox, and their answers once they are known.

Off unless the configuration lists the verbs that may be sent.  Measuring alone carries a command
out; here it is checked, limited in rate and written into the inbox.  The id that a form
carries was made when it was shown, so that one sent twice is carried out once.
"""

from __future__ import annotations

import secrets
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from hmac import compare_digest
from http import HTTPStatus
from threading import Lock
from typing import TYPE_CHECKING, Protocol
from urllib.parse import parse_qs, quote

from daemon.entries import JSON, Event
from daemon.journal.allowance import TOO_MANY, Allowance
from daemon.journal.command_format import LARGEST_BYTES, LONGEST_ID, BadRequestError, answer_of
from daemon.journal.errors import JournalError
from daemon.journal.inbox import CannotBeSentError, Inbox
from daemon.journal.reader import ANSWERS_AMONG
from daemon.journal.rows import to_json
from daemon.mixing.events import CommandAnswered
from daemon.page.acts.form_data import (
    fields_of,
    foreign,
    from_a_tool,
    from_fields,
    from_json,
    request_of,
)
from daemon.page.blocks import Banner
from daemon.page.response import Response, text_response

if TYPE_CHECKING:
    from wsgiref.types import WSGIEnvironment

FORM, JSON_TYPE = "application/x-www-form-urlencoded", "application/json"
ANSWER_POLLS = 30
"""So many times an answer is looked for, once a second; then as seldom as the page reloads."""
READ_S = 30
"""So long the page shows an answer, s."""
NO_ANSWER = "no answer yet: is measuring running? The command waits until it is"
_OLD = f"among the newest {ANSWERS_AMONG} events; 'brinewright export events' writes all"
UNKNOWN = f"no command with this id is known: none waits, and no answer to one is {_OLD}"
TAKEN = f"this command was taken, and its answer is no longer {_OLD}"


class ReplySource(Protocol):
    """Where answers are; the journal's reader is one."""

    def answer_to(self, id: str) -> Event | None:  # noqa: A002 - the name that the record uses
        """Return the answer to a command; None where there is none among the newest events."""


@dataclass(frozen=True, slots=True)
class CommandStatus:
    """What is known of a command.

    Attributes:
        status: Of the reply to a request for it.
        answer: Its answer; None where there is none.
        waits: Whether it waits to be carried out.
        why: Why there is no answer, as a sentence.
    """

    status: HTTPStatus
    answer: Event | None = None
    waits: bool = False
    why: str = ""


@dataclass(frozen=True, slots=True)
class CommandDesk:
    """Takes what is posted; safe to be called by several threads.

    Attributes:
        allowed: Verbs that may be sent.
        reservoirs: Names of all.
        inbox: Where commands go.
        journal: Where answers come from.
        clock: Monotonic seconds.
        make_id: Gives an id unlike any other.
        secret: What our own forms carry; new in each process.
    """

    allowed: tuple[str, ...]
    reservoirs: tuple[str, ...]
    inbox: Inbox
    journal: ReplySource
    clock: Callable[[], float] = time.monotonic
    make_id: Callable[[], str] = lambda: secrets.token_hex(12)
    secret: str = field(default_factory=lambda: secrets.token_hex(24), repr=False)
    _allowance: Allowance = field(default_factory=Allowance, init=False)
    _lock: Lock = field(default_factory=Lock, init=False)

    def handle_post(self, environ: WSGIEnvironment) -> Response:
        """Answer a POST; one from another site goes no further."""
        kind = environ.get("CONTENT_TYPE", "").partition(";")[0].strip().lower()
        if kind == JSON_TYPE:
            return self._take_json(environ)
        if kind == FORM:
            return self._take_form(environ)
        return text_response(HTTPStatus.UNSUPPORTED_MEDIA_TYPE, f"{FORM} and {JSON_TYPE} are taken")

    def answer(self, environ: WSGIEnvironment) -> Response:
        """Report to a tool what came of its command: GET /command?id=ID."""
        id_ = _query_value(environ, "id")
        if not id_:
            return _json_response(
                HTTPStatus.BAD_REQUEST, {"ok": False, "answer": "say which: ?id=ID"}
            )
        command = self._status_of(id_)
        if command.answer is not None:
            return _json_response(command.status, answer_of(command.answer))
        return _json_response(command.status, {"id": id_, "ok": None, "answer": command.why})

    def banner(self, environ: WSGIEnvironment) -> Banner | None:
        """Return what came of a browser's command: GET /?answer=ID; None where none was sent."""
        id_, poll = _query_value(environ, "answer"), _query_value(environ, "look")
        if not id_:
            return None
        command = self._status_of(id_)
        if command.answer is not None:
            return _answer_banner(command.answer, repeated=bool(_query_value(environ, "more")))
        if not command.waits:
            return Banner("No answer", command.why)
        polls = int(poll) if poll.isascii() and poll.isdigit() and len(poll) < len("999") else 0
        if polls >= ANSWER_POLLS:
            return Banner("It waits", command.why)
        more = "&more=1" * bool(_query_value(environ, "more"))
        where = f"/?answer={quote(id_, safe='')}{more}&look={polls + 1}"
        return Banner("Sent", "waiting for the answer", where, 1)

    def _take_form(self, environ: WSGIEnvironment) -> Response:
        if foreign(environ):
            return text_response(
                HTTPStatus.FORBIDDEN,
                "this was sent from another page than this one, and is not taken; where something"
                " stands in front of the page, it must pass on the name in the request (Host)",
            )
        try:
            fields = fields_of(_body(environ))
            if not compare_digest(fields.get("token", "").encode(), self.secret.encode()):
                return text_response(
                    HTTPStatus.FORBIDDEN,
                    "this form is not from this page, or from before publishing was last started;"
                    " go back, load the forms again and send it once more",
                )
            if not self._within_rate():
                return _too_many()
            id_, new, _ = self._submit(from_fields(fields))
        except (BadRequestError, CannotBeSentError) as exc:
            return text_response(HTTPStatus.BAD_REQUEST, f"{exc}; go back and try again")
        except JournalError as exc:
            return text_response(HTTPStatus.SERVICE_UNAVAILABLE, str(exc))
        where = f"/?answer={quote(id_, safe='')}{'' if new else '&more=1'}"
        return text_response(
            HTTPStatus.SEE_OTHER, f"it is answered at {where}", (("Location", where),)
        )

    def _take_json(self, environ: WSGIEnvironment) -> Response:
        if not from_a_tool(environ):
            return text_response(
                HTTPStatus.FORBIDDEN,
                "JSON is taken from tools, with the header 'X-Brinewright: 1' and without those"
                " that browsers send (Origin, Sec-Fetch-Site)",
            )
        if not self._within_rate():
            return _too_many()
        try:
            id_, new, before = self._submit(from_json(_body(environ)))
        except (BadRequestError, CannotBeSentError) as exc:
            return _json_response(HTTPStatus.BAD_REQUEST, {"ok": False, "answer": str(exc)})
        except JournalError as exc:
            return _json_response(HTTPStatus.SERVICE_UNAVAILABLE, {"ok": None, "answer": str(exc)})
        if before is not None:
            return _json_response(HTTPStatus.OK, {**answer_of(before), "repeated": True})
        where = f"/command?id={quote(id_, safe='')}"
        reply: dict[str, JSON] = {"id": id_, "ok": None, "answer": f"it is answered at {where}"}
        more = {} if new else {"repeated": True}
        return _json_response(HTTPStatus.ACCEPTED, reply | more, (("Location", where),))

    def _submit(self, posted: dict[str, JSON]) -> tuple[str, bool, Event | None]:
        """Write a command into the inbox; return its id, whether that is new, and its answer.

        Raises:
            BadRequestError: It is no command that may be sent.
            JournalError: It cannot be written.
        """
        request, reservoir = request_of(posted, self.allowed, self.reservoirs)
        id_ = request.id or self.make_id()
        new = self.inbox.submit(id_, request.who, "page", request.verb, reservoir, request.facts)
        return id_, new, None if new else self.journal.answer_to(id_)

    def _status_of(self, id_: str) -> CommandStatus:
        """Look into the inbox first: what has left it is answered in the journal by then."""
        waits, trouble = None, ""
        try:
            waits = self.inbox.waits(id_)
        except JournalError as exc:
            trouble = str(exc)
        try:
            event = self.journal.answer_to(id_)
        except JournalError as exc:
            event, trouble = None, str(exc)
        if event is not None:
            return CommandStatus(HTTPStatus.OK, event)
        if waits:
            why = f"{trouble}; the command is carried out when measuring runs"
            return CommandStatus(HTTPStatus.OK, waits=True, why=why if trouble else NO_ANSWER)
        if trouble:
            return CommandStatus(HTTPStatus.SERVICE_UNAVAILABLE, why=trouble)
        return CommandStatus(HTTPStatus.NOT_FOUND, why=UNKNOWN if waits is None else TAKEN)

    def _within_rate(self) -> bool:
        with self._lock:
            return self._allowance.take(self.clock())


def _answer_banner(event: Event, *, repeated: bool) -> Banner:
    reply = answer_of(event)
    by = f", sent by {event.body.who}" if isinstance(event.body, CommandAnswered) else ""
    again = "; the form was sent before and counts once" if repeated else ""
    text = f"{reply['verb']}{by}: {reply['answer']}{again}"
    return Banner("Done" if reply["ok"] else "Not done", text, "/", READ_S)


def _body(environ: WSGIEnvironment) -> bytes:
    return bytes(environ["wsgi.input"].read(LARGEST_BYTES + 1))


def _query_value(environ: WSGIEnvironment, name: str) -> str:
    """Return a parameter of the query; empty where there is none, or none that can be an id."""
    try:
        parameters = parse_qs(environ.get("QUERY_STRING", ""), max_num_fields=8, errors="strict")
    except ValueError:
        return ""
    value = parameters.get(name, [""])[0]
    return value if len(value) <= LONGEST_ID and value.isprintable() else ""


def _too_many() -> Response:
    return text_response(HTTPStatus.TOO_MANY_REQUESTS, TOO_MANY, (("Retry-After", "60"),))


def _json_response(
    status: HTTPStatus, reply: dict[str, JSON], more: tuple[tuple[str, str], ...] = ()
) -> Response:
    return Response(status, JSON_TYPE, to_json(reply).encode() + b"\n", more)
