"""Commands that come over a broker: into the inbox, and their answers back out.

Off unless the configuration lists what may be asked.  A command is carried out
by measuring alone; here it is checked, bounded in rate, named and written into
the inbox, and its answer is told once the journal holds it.

A command without an id is given one, which its answer tells.  The same words
again within five seconds count as the same command: a button pressed twice by
a nervous finger, or a message that a broker sent twice.

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
from daemon.publishing.mqtt.incoming import Letter
from daemon.publishing.topic_messages import Message, place

WAIT_S = 30.0
REPEAT_S = 5.0
TELL_S = 60.0
KEPT = 200
"""Commands without an answer, answers, and names given: so many of each are remembered."""
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


class Journal(Protocol):
    """Where answers appear; the journal's reader is one."""

    def last_seq(self) -> int:
        """Return the newest `seq`."""

    def after(self, seq: int, limit: int = 500) -> list[Stored]:
        """Return entries that follow `seq`, in order."""

    def answer_to(self, id: str) -> Event | None:  # noqa: A002 - the name that the record uses
        """Return the answer to a command; None where there is none among the newest events."""


@dataclass(slots=True)
class Pending:
    """A command whose answer is waited for.

    Attributes:
        letter: What came in, without its payload.
        reservoir: It is about; empty for the station.
        verb: What it asks.
        until_s: When its sender is told that it still waits, s.
        repeated: Whether its id had been given before.
    """

    letter: Letter
    reservoir: str
    verb: str
    until_s: float
    repeated: bool = False


@dataclass(slots=True)
class Commands:
    """Takes letters and gives replies; the broker is somebody else's business.

    Attributes:
        station: Name of the station.
        reservoirs: Names of all.
        allowed: Verbs that may be asked for.
        inbox: Where commands go.
        journal: Where answers come from.
        closed_topics: Beginnings of topics that no answer may go to.
        make_id: Gives an id unlike any other.
    """

    station: str
    reservoirs: tuple[str, ...]
    allowed: tuple[str, ...]
    inbox: Inbox
    journal: Journal
    closed_topics: tuple[str, ...] = ()
    make_id: Callable[[], str] = lambda: f"mqtt-{secrets.token_hex(8)}"
    _allowance: Allowance = field(default_factory=Allowance, init=False)
    _pending: dict[str, Pending] = field(default_factory=dict, init=False)
    _answered: OrderedDict[str, dict[str, JSON]] = field(default_factory=OrderedDict, init=False)
    _named: OrderedDict[bytes, tuple[str, float]] = field(default_factory=OrderedDict, init=False)
    _retained: OrderedDict[str, bytes] = field(default_factory=OrderedDict, init=False)
    _seq: int = field(default=0, init=False)
    _refused: int = field(default=0, init=False)
    _quiet_until_s: float = field(default=float("-inf"), init=False)
    _told_of_retained: bool = field(default=False, init=False)

    @property
    def filters(self) -> list[str]:
        """What to subscribe to: every reservoir's topic, so that a wrong name is answered too."""
        above = place(self.station, "")
        return [f"{above}/+/command", f"{above}/command"]

    def is_one(self, topic: str) -> bool:
        """Whether commands come on a topic."""
        parts = topic.split("/")
        here = parts[:2] == ["brinewright", self.station] and parts[-1] == "command"
        return here and len(parts) in (3, 4)

    def take(self, letters: Iterable[Letter], dropped: int, now_s: float) -> list[Message]:
        """Take in what came, and return what can be said to it at once.

        Args:
            letters: What came, in order.
            dropped: How many more came than could be held.
            now_s: Monotonic seconds.
        """
        self._refused += dropped
        found = [reply for letter in letters for reply in self._take(letter, now_s)]
        self._tell_of_refused(now_s)
        return found

    def answers(self, now_s: float) -> list[Message]:
        """Return the answers that the journal holds by now, and word of those that wait.

        Raises:
            JournalError: The journal cannot be read.
        """
        found: list[Message] = []
        while self._pending:
            entries = self.journal.after(self._seq, LOOK_LIMIT)
            found += [reply for stored in entries for reply in self._answer(stored)]
            if len(entries) < LOOK_LIMIT:
                break
        return found + self._late(now_s)

    def _take(self, letter: Letter, now_s: float) -> list[Message]:
        if letter.retained and self._is_old(letter):
            return []
        named = letter.topic.split("/")[2] if letter.topic.count("/") > 2 else ""  # noqa: PLR2004
        if not self._allowance.take(now_s):
            self._refused += 1
            return [self._no(letter, "", TOO_MANY)]
        if letter.retained:
            return self._refuse(letter)
        if named and named not in self.reservoirs:
            known = ", ".join(self.reservoirs)
            return [self._no(letter, "", f"there is no reservoir {named[:40]!r}; known: {known}")]
        try:
            request = parse(letter.payload, letter.size, self.allowed, "mqtt.commands")
        except BadRequestError as exc:
            return [self._no(letter, exc.id, str(exc))]
        return self._submit(letter, named, request, now_s)

    def _is_old(self, letter: Letter) -> bool:
        """Whether a retained letter was answered before, or only clears its topic."""
        if letter.size:
            return self._retained.get(letter.topic) == _words(letter)
        self._retained.pop(letter.topic, None)
        return True

    def _refuse(self, letter: Letter) -> list[Message]:
        """Answer a retained command, unless it waits: it may have come before without the flag."""
        self._retained[letter.topic] = _words(letter)
        _forget_oldest(self._retained)
        self._tell_of_retained(letter.topic)
        try:
            id_ = parse(letter.payload, letter.size, self.allowed, "mqtt.commands").id
        except BadRequestError as exc:
            id_ = exc.id
        if id_ in self._pending:
            return []
        if id_ in self._answered:
            return [self._reply(letter, {**self._answered[id_], "repeated": True})]
        return [self._no(letter, id_, RETAINED)]

    def _submit(
        self, letter: Letter, reservoir: str, request: Request, now_s: float
    ) -> list[Message]:
        id_ = request.id or self._name(letter, now_s)
        if id_ in self._answered:
            return [self._reply(letter, {**self._answered[id_], "repeated": True})]
        if len(self._pending) >= KEPT:
            return [self._no(letter, id_, f"{KEPT} commands wait already; send it again later")]
        try:
            if not self._pending:
                self._seq = self.journal.last_seq()
            new = self.inbox.submit(
                id_, request.who or "mqtt", "mqtt", request.verb, reservoir, request.facts
            )
            before = None if new else self.journal.answer_to(id_)
        except JournalError as exc:
            return [self._no(letter, id_, str(exc))]
        if before is not None:
            return [self._reply(letter, {**self._keep(id_, before), "repeated": True})]
        # The newest sender of an id gets its answer.
        sender = replace(letter, payload=b"")  # it is in the inbox now
        self._pending[id_] = Pending(
            sender, reservoir, request.verb, now_s + WAIT_S, repeated=not new
        )
        return []

    def _name(self, letter: Letter, now_s: float) -> str:
        words = _words(letter)
        id_, at_s = self._named.get(words, ("", float("-inf")))
        if now_s - at_s > REPEAT_S:
            id_, at_s = self.make_id(), now_s
        self._named[words] = (id_, at_s)
        _forget_oldest(self._named)
        return id_

    def _answer(self, stored: Stored) -> list[Message]:
        self._seq, entry = stored.seq, stored.entry
        if not isinstance(entry, Event) or entry.kind is not Kind.COMMAND:
            return []
        id_ = str(facts_of(entry.body).get("id"))
        pending = self._pending.pop(id_, None)
        if pending is None:
            return []
        return [self._reply(pending.letter, self._keep(id_, entry))]

    def _keep(self, id_: str, answer: Event) -> dict[str, JSON]:
        told = answer_of(answer)
        self._answered[id_] = told
        _forget_oldest(self._answered)
        return told

    def _late(self, now_s: float) -> list[Message]:
        """Tell each sender once that its command waits; an id given before waits no longer."""
        found = []
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
                    "this id was given before and is not carried out again; it waits still, or"
                    " was answered so long ago that only the events tell what came of it"
                )
            found.append(self._say(each.letter, id_, each.verb, None, sentence))
        return found

    def _no(self, letter: Letter, id_: str, sentence: str) -> Message:
        return self._say(letter, id_, "", False, sentence)  # noqa: FBT003 - "ok": false

    def _say(self, letter: Letter, id_: str, verb: str, ok: bool | None, answer: str) -> Message:  # noqa: FBT001
        told: dict[str, JSON] = {"id": id_ or None, "ok": ok, "answer": answer}
        return self._reply(letter, told | ({"verb": verb} if verb else {}))

    def _reply(self, letter: Letter, told: dict[str, JSON]) -> Message:
        return Message(
            self._reply_topic(letter),
            to_json(told),
            correlation=letter.correlation,
            expires_s=ANSWER_EXPIRES_S,
        )

    def _reply_topic(self, letter: Letter) -> str:
        """Where the sender wants it, but never where the station speaks for itself."""
        parts = letter.topic.split("/")
        reservoir = parts[2] if parts[2] in self.reservoirs and parts[3:] else ""
        usual = f"{place(self.station, reservoir)}/command/reply"
        wanted = letter.reply_to
        if wanted == usual or wanted.startswith(f"{usual}/"):
            closed = False
        else:
            closed = wanted.startswith(("brinewright/", "$", *self.closed_topics))
        # A broker that passes on a topic which it then refuses would cost us the connection.
        unfit = not wanted or set(wanted) & set("+#") or not wanted.isprintable()
        return usual if closed or unfit else wanted

    def _tell_of_retained(self, topic: str) -> None:
        if not self._told_of_retained:
            log.warning(
                "a command on %s is retained by the broker and not carried out, as all such are:"
                " publish commands without the retain flag, and clear the topic with an empty"
                " retained message",
                topic,
            )
        self._told_of_retained = True

    def _tell_of_refused(self, now_s: float) -> None:
        if self._refused and now_s >= self._quiet_until_s:
            log.warning("%d messages came faster than commands are taken", self._refused)
            self._refused, self._quiet_until_s = 0, now_s + TELL_S


def _words(letter: Letter) -> bytes:
    """Return what tells one letter from another."""
    return hashlib.sha256(letter.topic.encode() + b"\0" + letter.payload).digest()


def _forget_oldest(known: OrderedDict[_Key, _Value]) -> None:
    while len(known) > KEPT:
        known.popitem(last=False)
