"""What came of a command: looked for by its id, and shown where its form stood."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from http import HTTPStatus
from types import MappingProxyType
from typing import Literal, Protocol
from urllib.parse import quote, urlencode

from daemon.entries import JSON, Event
from daemon.journal.command_format import LONGEST_ID, answer_of
from daemon.journal.errors import JournalError
from daemon.journal.inbox import Inbox
from daemon.journal.reader import ANSWERS_AMONG
from daemon.mixing.events import CommandAnswered
from daemon.page.request import Request

POLLS = 30
"""So many times an answer is looked for, once a second; then whoever waits is told why."""
NO_ANSWER = "no answer yet: is measuring running? The command waits until it is"
_OLD = f"among the newest {ANSWERS_AMONG} events; 'brinewright export events' writes all"
UNKNOWN = f"no command with this id is known: none waits, and no answer to one is {_OLD}"
TAKEN = f"this command was taken, and its answer is no longer {_OLD}"
LONGEST_VALUE = 100
"""Most characters of a parameter of ours in an address."""


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
class Answer:
    """What came of a form.

    Attributes:
        state: Done, refused, still waiting, or unknown.
        head: The same in a word or two.
        text: The answer as a sentence, or why there is none.
        place: Where on the page its form stood.
        kind: Of its form.
        facts: What a refused one was given, so that it can be corrected.
        next_url: Where a browser looks for the answer again; empty where there is nothing to wait
            for.
        watch_url: Where a script does.
    """

    state: Literal["done", "refused", "waiting", "unknown"]
    head: str
    text: str
    place: str = ""
    kind: str = ""
    facts: Mapping[str, JSON] = field(default_factory=lambda: MappingProxyType({}))
    next_url: str = ""
    watch_url: str = ""

    @property
    def refresh(self) -> str:
        """What a browser without scripts does next, as HTML has it; empty where it stays."""
        return f"1; url={self.next_url}" if self.next_url else ""


def status_of(id_: str, inbox: Inbox, journal: ReplySource) -> CommandStatus:
    """Return what is known of a command.

    The inbox is looked into first: what has left it is answered in the journal by then.
    """
    waits, trouble = None, ""
    try:
        waits = inbox.waits(id_)
    except JournalError as exc:
        trouble = str(exc)
    try:
        event = journal.answer_to(id_)
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


def answer_url(here: str, id_: str, place: str, kind: str, *, repeated: bool = False) -> str:
    """Return the address of a page at which the answer to its form is shown."""
    query = {"answer": id_, "at": place, "kind": kind} | ({"more": "1"} if repeated else {})
    return f"{here}?{urlencode(query)}#at-{quote(place, safe='')}"


def answer_for(request: Request, inbox: Inbox, journal: ReplySource) -> Answer | None:
    """Return what came of the form that a page's address asks about; None where it asks nothing.

    Args:
        request: For that page.
        inbox: Where commands wait.
        journal: Where answers are.
    """
    id_ = request.value("answer")
    if not id_ or len(id_) > LONGEST_ID or not id_.isprintable():
        return None
    place, kind = request.value("at")[:LONGEST_VALUE], request.value("kind")[:LONGEST_VALUE]
    command = status_of(id_, inbox, journal)
    repeated = bool(request.value("more"))
    if command.answer is not None:
        return _known(command.answer, place, kind, repeated=repeated)
    if not command.waits:
        return Answer("unknown", "No answer", command.why, place, kind)
    look = request.value("look")
    polls = int(look) if look.isascii() and look.isdigit() and len(look) < len("999") else 0
    if polls >= POLLS:
        return Answer("waiting", "It waits", command.why, place, kind)
    again = answer_url(request.path, id_, place, kind, repeated=repeated)
    address, _, part = again.partition("#")
    return Answer(
        "waiting",
        "Sent",
        "waiting for the answer",
        place,
        kind,
        next_url=f"{address}&look={polls + 1}#{part}",
        watch_url=f"/command?id={quote(id_, safe='')}",
    )


def _known(event: Event, place: str, kind: str, *, repeated: bool) -> Answer:
    reply = answer_of(event)
    who = event.body.who if isinstance(event.body, CommandAnswered) else ""
    again = "; the form was sent before and counts once" if repeated else ""
    by = f" (recorded under {who})" if who else ""
    said = str(reply["answer"])
    text = f"{said.rstrip('.') if again or by else said}{again}{by}"
    if reply["ok"]:
        return Answer("done", "Done", text, place, kind)
    facts = event.body.arguments if isinstance(event.body, CommandAnswered) else {}
    return Answer("refused", "Not done", text, place, kind, facts)
