"""Commands that come over a broker: into the inbox, and their answers back out.

Off unless the configuration lists the allowed verbs.  A command is carried out by measuring
alone; here it is checked, limited in rate, given an id and written into the inbox, and its
answer is published once it is in the journal.

A command without an id is given one, which is in its answer.  The same message again within
five seconds counts as the same command, so a command sent twice is carried out once.

Source: OASIS, MQTT Version 5.0 (2019), 4.10 (request and response).
"""

from __future__ import annotations

import hashlib
import logging
import secrets
from collections import OrderedDict
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from typing import Protocol, TypeVar

from daemon.entries import JSON, Event, Kind
from daemon.journal.allowance import TOO_MANY, Allowance
from daemon.journal.command_format import BadRequestError, Request, answer_of, parse
from daemon.journal.errors import JournalError
from daemon.journal.event_codec import facts_of
from daemon.journal.inbox import Inbox
from daemon.journal.payloads import to_json
from daemon.journal.reader import Stored
from daemon.journal.reply import Reply
from daemon.journal.shapes import to_object
from daemon.publishing.mqtt.incoming import IncomingMessage
from daemon.publishing.topic_messages import Message, place

WAIT_S = 30.0
REPEAT_S = 5.0
WARN_EVERY_S = 60.0
MOST_REMEMBERED = 200
"""Commands without an answer, answers, and ids given: so many of each are remembered."""
ANSWER_EXPIRES_S = 3600
LOOK_LIMIT = 1000
RETAINED = (
    "a command that is published with the retain flag is not carried out, for the broker sends it"
    " again on every connection: send it without, and clear this topic with an empty retained"
    " message"
)

_Key = TypeVar("_Key")
_Value = TypeVar("_Value")

log = logging.getLogger("brinewright.publish")


class AnswerSource(Protocol):
    """Where answers come from; the journal's reader is one."""

    def last_seq(self) -> int:
        """Return the newest `seq`."""

    def after(self, seq: int, limit: int = 500) -> list[Stored]:
        """Return entries that follow `seq`, in order."""

    def answer_to(self, id: str) -> Event | None:  # noqa: A002 - the name that the record uses
        """Return the answer to a command; None where there is none among the newest events."""


@dataclass(slots=True)
class PendingCommand:
    """A command that waits for its answer.

    Attributes:
        message: What came in, without its payload.
        reservoir: Which it is for; empty for the station.
        verb: Of the command.
        until_s: When its sender is sent that it still waits, s.
        repeated: Whether its id had been given before.
    """

    message: IncomingMessage
    reservoir: str
    verb: str
    until_s: float
    repeated: bool = False


@dataclass(slots=True)
class CommandIntake:
    """Takes messages and returns replies; knows no broker.

    Attributes:
        station: Name of the station.
        reservoirs: Names of all.
        allowed: Verbs that may be used.
        inbox: Where commands go.
        journal: Where answers come from.
        closed_topics: Beginnings of topics that no answer may go to.
        make_id: Returns a new unique id.
    """

    station: str
    reservoirs: tuple[str, ...]
    allowed: tuple[str, ...]
    inbox: Inbox
    journal: AnswerSource
    closed_topics: tuple[str, ...] = ()
    make_id: Callable[[], str] = lambda: f"mqtt-{secrets.token_hex(8)}"
    _allowance: Allowance = field(default_factory=Allowance, init=False)
    _pending: dict[str, PendingCommand] = field(default_factory=dict, init=False)
    _answered: OrderedDict[str, dict[str, JSON]] = field(default_factory=OrderedDict, init=False)
    _given_ids: OrderedDict[bytes, tuple[str, float]] = field(
        default_factory=OrderedDict, init=False
    )
    _retained: OrderedDict[str, bytes] = field(default_factory=OrderedDict, init=False)
    _seq: int = field(default=0, init=False)
    _refused: int = field(default=0, init=False)
    _quiet_until_s: float = field(default=float("-inf"), init=False)
    _warned_of_retained: bool = field(default=False, init=False)

    @property
    def filters(self) -> list[str]:
        """What to subscribe to: every reservoir's topic, so that a wrong name is answered too."""
        above = place(self.station, "")
        return [f"{above}/+/command", f"{above}/command"]

    def concerns(self, topic: str) -> bool:
        """Return whether a topic is one for commands."""
        parts = topic.split("/")
        here = parts[:2] == ["brinewright", self.station] and parts[-1] == "command"
        return here and len(parts) in (3, 4)

    def take(
        self, messages: Iterable[IncomingMessage], dropped: int, now_s: float
    ) -> list[Message]:
        """Take messages, and return the replies that can be given at once.

        Args:
            messages: What came, in order.
            dropped: How many more came than could be queued.
            now_s: Monotonic seconds.
        """
        self._refused += dropped
        replies = [reply for message in messages for reply in self._take(message, now_s)]
        self._warn_of_refused(now_s)
        return replies

    def answers(self, now_s: float) -> list[Message]:
        """Return the answers that are in the journal by now, and replies for commands that wait.

        Raises:
            JournalError: The journal cannot be read.
        """
        replies: list[Message] = []
        while self._pending:
            entries = self.journal.after(self._seq, LOOK_LIMIT)
            replies += [reply for stored in entries for reply in self._answer(stored)]
            if len(entries) < LOOK_LIMIT:
                break
        return replies + self._still_waiting(now_s)

    def _take(self, message: IncomingMessage, now_s: float) -> list[Message]:
        if message.retained and self._is_old(message):
            return []
        reservoir = message.topic.split("/")[2] if message.topic.count("/") > 2 else ""  # noqa: PLR2004
        if not self._allowance.take(now_s):
            self._refused += 1
            return [self._reject(message, "", TOO_MANY)]
        if message.retained:
            return self._refuse(message)
        if reservoir and reservoir not in self.reservoirs:
            known = ", ".join(self.reservoirs)
            return [
                self._reject(
                    message, "", f"there is no reservoir {reservoir[:40]!r}; known: {known}"
                )
            ]
        try:
            request = parse(message.payload, message.size, self.allowed, "mqtt.commands")
        except BadRequestError as exc:
            return [self._reject(message, exc.id, str(exc))]
        return self._submit(message, reservoir, request, now_s)

    def _is_old(self, message: IncomingMessage) -> bool:
        """Return whether a retained message was answered before, or only clears its topic."""
        if message.size:
            return self._retained.get(message.topic) == _digest(message)
        self._retained.pop(message.topic, None)
        return True

    def _refuse(self, message: IncomingMessage) -> list[Message]:
        """Answer a retained command, unless it waits: it may have come before without the flag."""
        self._retained[message.topic] = _digest(message)
        _forget_oldest(self._retained)
        self._warn_of_retained(message.topic)
        try:
            id_ = parse(message.payload, message.size, self.allowed, "mqtt.commands").id
        except BadRequestError as exc:
            id_ = exc.id
        if id_ in self._pending:
            return []
        if id_ in self._answered:
            return [self._reply(message, {**self._answered[id_], "repeated": True})]
        return [self._reject(message, id_, RETAINED)]

    def _submit(
        self, message: IncomingMessage, reservoir: str, request: Request, now_s: float
    ) -> list[Message]:
        id_ = request.id or self._id_for(message, now_s)
        if id_ in self._answered:
            return [self._reply(message, {**self._answered[id_], "repeated": True})]
        if len(self._pending) >= MOST_REMEMBERED:
            return [
                self._reject(
                    message, id_, f"{MOST_REMEMBERED} commands wait already; send it again later"
                )
            ]
        try:
            if not self._pending:
                self._seq = self.journal.last_seq()
            new = self.inbox.submit(
                id_, request.who or "mqtt", "mqtt", request.verb, reservoir, request.facts
            )
            before = None if new else self.journal.answer_to(id_)
        except JournalError as exc:
            return [self._reject(message, id_, str(exc))]
        if before is not None:
            return [self._reply(message, {**self._store_answer(id_, before), "repeated": True})]
        # The newest sender of an id gets its answer.
        sender = replace(message, payload=b"")  # it is in the inbox now
        self._pending[id_] = PendingCommand(
            sender, reservoir, request.verb, now_s + WAIT_S, repeated=not new
        )
        return []

    def _id_for(self, message: IncomingMessage, now_s: float) -> str:
        digest = _digest(message)
        id_, at_s = self._given_ids.get(digest, ("", float("-inf")))
        if now_s - at_s > REPEAT_S:
            id_, at_s = self.make_id(), now_s
        self._given_ids[digest] = (id_, at_s)
        _forget_oldest(self._given_ids)
        return id_

    def _answer(self, stored: Stored) -> list[Message]:
        self._seq, entry = stored.seq, stored.entry
        if not isinstance(entry, Event) or entry.kind is not Kind.COMMAND:
            return []
        id_ = str(facts_of(entry.body).get("id"))
        pending = self._pending.pop(id_, None)
        if pending is None:
            return []
        return [self._reply(pending.message, self._store_answer(id_, entry))]

    def _store_answer(self, id_: str, answer: Event) -> dict[str, JSON]:
        payload = answer_of(answer)
        self._answered[id_] = payload
        _forget_oldest(self._answered)
        return payload

    def _still_waiting(self, now_s: float) -> list[Message]:
        """Reply once to each sender that its command waits; an id given before waits no longer."""
        replies = []
        for id_, each in list(self._pending.items()):
            if now_s < each.until_s:
                continue
            each.until_s = float("inf")
            sentence = (
                f"no answer within {WAIT_S:g} s: is measuring running? The command waits and is"
                " carried out when it does"
            )
            if each.repeated:
                del self._pending[id_]
                sentence = (
                    "this id was given before and is not carried out again; it still waits, or"
                    " was answered so long ago that the answer is only among the events"
                )
            replies.append(self._answer_text(each.message, id_, each.verb, sentence, ok=None))
        return replies

    def _reject(self, message: IncomingMessage, id_: str, sentence: str) -> Message:
        return self._answer_text(message, id_, "", sentence, ok=False)

    def _answer_text(
        self, message: IncomingMessage, id_: str, verb: str, answer: str, *, ok: bool | None
    ) -> Message:
        return self._reply(message, to_object(Reply(id_ or None, ok, answer, verb)))

    def _reply(self, message: IncomingMessage, payload: dict[str, JSON]) -> Message:
        return Message(
            self._reply_topic(message),
            to_json(payload),
            correlation=message.correlation,
            expires_s=ANSWER_EXPIRES_S,
        )

    def _reply_topic(self, message: IncomingMessage) -> str:
        """Return the response topic, but never one that the station publishes on itself."""
        parts = message.topic.split("/")
        reservoir = parts[2] if parts[2] in self.reservoirs and parts[3:] else ""
        usual = f"{place(self.station, reservoir)}/command/reply"
        topic = message.reply_to
        if topic == usual or topic.startswith(f"{usual}/"):
            closed = False
        else:
            closed = topic.startswith(("brinewright/", "$", *self.closed_topics))
        # A broker may pass on a response topic and then end the connection that publishes to it.
        unfit = not topic or set(topic) & set("+#") or not topic.isprintable()
        return usual if closed or unfit else topic

    def _warn_of_retained(self, topic: str) -> None:
        if not self._warned_of_retained:
            log.warning(
                "a command on %s is retained by the broker and not carried out, as all such are:"
                " publish commands without the retain flag, and clear the topic with an empty"
                " retained message",
                topic,
            )
        self._warned_of_retained = True

    def _warn_of_refused(self, now_s: float) -> None:
        if self._refused and now_s >= self._quiet_until_s:
            log.warning("%d messages came faster than commands are taken", self._refused)
            self._refused, self._quiet_until_s = 0, now_s + WARN_EVERY_S


def _digest(message: IncomingMessage) -> bytes:
    """Return what distinguishes one message from another."""
    return hashlib.sha256(message.topic.encode() + b"\0" + message.payload).digest()


def _forget_oldest(known: OrderedDict[_Key, _Value]) -> None:
    while len(known) > MOST_REMEMBERED:
        known.popitem(last=False)
