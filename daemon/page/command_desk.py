"""Commands that come over the page: into the inbox, and their answers as they are known.

Off unless the configuration lists what may be asked.  A command is carried out by measuring
alone; here it is checked, bounded in rate and written into the inbox.  The id that a form
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
from daemon.page.form_data import asked_of, fields_of, foreign, from_a_tool, from_fields, from_json
from daemon.page.response import Answer, say
from daemon.page.status_page import Notice

if TYPE_CHECKING:
    from wsgiref.types import WSGIEnvironment

FORM, JSON_TYPE = "application/x-www-form-urlencoded", "application/json"
LOOKS = 30
"""So often an answer is looked for each second; then as seldom as the page loads again."""
READ_S = 30
"""So long an answer stands before the page is shown without it, s."""
NO_ANSWER = "no answer yet: is measuring running? The command waits until it is"
_OLD = f"among the newest {ANSWERS_AMONG} events; 'brinewright export events' writes all"
UNKNOWN = f"no command with this id is known: none waits, and no answer to one is {_OLD}"
TAKEN = f"this command was taken, and its answer is no longer {_OLD}"


class Journal(Protocol):
    """Where answers are; the journal's reader is one."""

    def answer_to(self, id: str) -> Event | None:  # noqa: A002 - the name that the record uses
        """Return the answer to a command; None where there is none among the newest events."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What is known of a command.

    Attributes:
        status: Of the reply to whoever asks for it.
        answer: Its answer; None where there is none.
        waits: Whether it waits to be carried out.
        why: Why there is no answer, as a sentence.
    """

    status: HTTPStatus
    answer: Event | None = None
    waits: bool = False
    why: str = ""


@dataclass(frozen=True, slots=True)
class Desk:
    """Takes what is posted; safe to be called by several threads.

    Attributes:
        allowed: Verbs that may be asked for.
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
    journal: Journal
    clock: Callable[[], float] = time.monotonic
    make_id: Callable[[], str] = lambda: secrets.token_hex(12)
    secret: str = field(default_factory=lambda: secrets.token_hex(24), repr=False)
    _allowance: Allowance = field(default_factory=Allowance, init=False)
    _lock: Lock = field(default_factory=Lock, init=False)

    def take(self, environ: WSGIEnvironment) -> Answer:
        """Answer a POST; nothing is carried out before it comes from where it may."""
        kind = environ.get("CONTENT_TYPE", "").partition(";")[0].strip().lower()
        if kind == JSON_TYPE:
            return self._take_json(environ)
        if kind == FORM:
            return self._take_form(environ)
        return say(HTTPStatus.UNSUPPORTED_MEDIA_TYPE, f"{FORM} and {JSON_TYPE} are taken")

    def answer(self, environ: WSGIEnvironment) -> Answer:
        """Tell a tool what came of its command: GET /command?id=ID."""
        id_ = _asked_for(environ, "id")
        if not id_:
            return _tell(HTTPStatus.BAD_REQUEST, {"ok": False, "answer": "say which: ?id=ID"})
        known = self._outcome(id_)
        if known.answer is not None:
            return _tell(known.status, answer_of(known.answer))
        return _tell(known.status, {"id": id_, "ok": None, "answer": known.why})

    def notice(self, environ: WSGIEnvironment) -> Notice | None:
        """Return what came of a browser's command: GET /?answer=ID; None where none was sent."""
        id_, look = _asked_for(environ, "answer"), _asked_for(environ, "look")
        if not id_:
            return None
        known = self._outcome(id_)
        if known.answer is not None:
            return _answer_notice(known.answer, repeated=bool(_asked_for(environ, "more")))
        if not known.waits:
            return Notice("No answer", known.why)
        looks = int(look) if look.isascii() and look.isdigit() and len(look) < len("999") else 0
        if looks >= LOOKS:
            return Notice("It waits", known.why)
        more = "&more=1" * bool(_asked_for(environ, "more"))
        where = f"/?answer={quote(id_, safe='')}{more}&look={looks + 1}"
        return Notice("Sent", "waiting for the answer", where, 1)

    def _take_form(self, environ: WSGIEnvironment) -> Answer:
        if foreign(environ):
            return say(
                HTTPStatus.FORBIDDEN,
                "this was sent from another page than this one, and is not taken; where something"
                " stands in front of the page, it must pass on the name it is asked by (Host)",
            )
        try:
            fields = fields_of(_body(environ))
            if not compare_digest(fields.get("token", "").encode(), self.secret.encode()):
                return say(
                    HTTPStatus.FORBIDDEN,
                    "this form is not from this page, or from before publishing was last started;"
                    " go back, load the forms again and send it once more",
                )
            if not self._may_come():
                return _too_many()
            id_, new, _ = self._submit(from_fields(fields))
        except (BadRequestError, CannotBeSentError) as exc:
            return say(HTTPStatus.BAD_REQUEST, f"{exc}; go back and try again")
        except JournalError as exc:
            return say(HTTPStatus.SERVICE_UNAVAILABLE, str(exc))
        where = f"/?answer={quote(id_, safe='')}{'' if new else '&more=1'}"
        return say(HTTPStatus.SEE_OTHER, f"it is answered at {where}", (("Location", where),))

    def _take_json(self, environ: WSGIEnvironment) -> Answer:
        if not from_a_tool(environ):
            return say(
                HTTPStatus.FORBIDDEN,
                "JSON is taken from tools, with the header 'X-Brinewright: 1' and without those"
                " that browsers send (Origin, Sec-Fetch-Site)",
            )
        if not self._may_come():
            return _too_many()
        try:
            id_, new, before = self._submit(from_json(_body(environ)))
        except (BadRequestError, CannotBeSentError) as exc:
            return _tell(HTTPStatus.BAD_REQUEST, {"ok": False, "answer": str(exc)})
        except JournalError as exc:
            return _tell(HTTPStatus.SERVICE_UNAVAILABLE, {"ok": None, "answer": str(exc)})
        if before is not None:
            return _tell(HTTPStatus.OK, {**answer_of(before), "repeated": True})
        where = f"/command?id={quote(id_, safe='')}"
        told: dict[str, JSON] = {"id": id_, "ok": None, "answer": f"it is answered at {where}"}
        more = {} if new else {"repeated": True}
        return _tell(HTTPStatus.ACCEPTED, told | more, (("Location", where),))

    def _submit(self, told: dict[str, JSON]) -> tuple[str, bool, Event | None]:
        """Hand a command over; return its id, whether that is new, and what it was answered.

        Raises:
            BadRequestError: It asks nothing that may be asked.
            JournalError: It cannot be handed over.
        """
        request, reservoir = asked_of(told, self.allowed, self.reservoirs)
        id_ = request.id or self.make_id()
        new = self.inbox.submit(id_, request.who, "page", request.verb, reservoir, request.facts)
        return id_, new, None if new else self.journal.answer_to(id_)

    def _outcome(self, id_: str) -> Outcome:
        """Look into the inbox first: what is taken from it is answered in the journal by then."""
        waits, trouble = None, ""
        try:
            waits = self.inbox.waits(id_)
        except JournalError as exc:
            trouble = str(exc)
        try:
            found = self.journal.answer_to(id_)
        except JournalError as exc:
            found, trouble = None, str(exc)
        if found is not None:
            return Outcome(HTTPStatus.OK, found)
        if waits:
            why = f"{trouble}; the command is carried out when measuring runs"
            return Outcome(HTTPStatus.OK, waits=True, why=why if trouble else NO_ANSWER)
        if trouble:
            return Outcome(HTTPStatus.SERVICE_UNAVAILABLE, why=trouble)
        return Outcome(HTTPStatus.NOT_FOUND, why=UNKNOWN if waits is None else TAKEN)

    def _may_come(self) -> bool:
        with self._lock:
            return self._allowance.take(self.clock())


def _answer_notice(event: Event, *, repeated: bool) -> Notice:
    reply = answer_of(event)
    by = f", sent by {event.body.who}" if isinstance(event.body, CommandAnswered) else ""
    again = "; the form was sent before and counts once" if repeated else ""
    text = f"{reply['verb']}{by}: {reply['answer']}{again}"
    return Notice("Done" if reply["ok"] else "Not done", text, "/", READ_S)


def _body(environ: WSGIEnvironment) -> bytes:
    return bytes(environ["wsgi.input"].read(LARGEST_BYTES + 1))


def _asked_for(environ: WSGIEnvironment, name: str) -> str:
    """Return one part of what stands behind the question mark; empty where it is none."""
    try:
        found = parse_qs(environ.get("QUERY_STRING", ""), max_num_fields=8, errors="strict")
    except ValueError:
        return ""
    value = found.get(name, [""])[0]
    return value if len(value) <= LONGEST_ID and value.isprintable() else ""


def _too_many() -> Answer:
    return say(HTTPStatus.TOO_MANY_REQUESTS, TOO_MANY, (("Retry-After", "60"),))


def _tell(
    status: HTTPStatus, told: dict[str, JSON], more: tuple[tuple[str, str], ...] = ()
) -> Answer:
    return Answer(status, JSON_TYPE, to_json(told).encode() + b"\n", more)
