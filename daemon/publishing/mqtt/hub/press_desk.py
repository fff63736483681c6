"""Presses and entries of a hub: composed into commands, and their answers shown there.

A hub gives a command no id and reads no reply, so that a refusal would be silent.  Here each
press is given an id, what was entered before is put into it, and its answer becomes the state of
the entity `Last answer`, retained.  What was entered is forgotten once a command with it was
carried out, after `KEPT_S`, and with the process: no press may take a value of yesterday.
"""

from __future__ import annotations

import hashlib
import json
import secrets
from collections import OrderedDict
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace

from daemon.entries import JSON, Instant
from daemon.journal.payloads import time_fields, to_json
from daemon.publishing.mqtt.command_intake import MOST_REMEMBERED, REPEAT_S, CommandIntake
from daemon.publishing.mqtt.hub.inputs import INPUTS, entered
from daemon.publishing.mqtt.hub.press import Entry, Press, read
from daemon.publishing.mqtt.incoming import IncomingMessage
from daemon.publishing.topic_messages import Message, place

KEPT_S = 1800.0
"""So long what was entered waits for its press, s; our choice: a batch is weighed and poured in
less, and nobody remembers for longer what is still in a field."""
STATION = ""
"""The reservoir of what concerns the station itself."""


@dataclass(slots=True)
class _Waiting:
    """A press without its answer: where it came from, and what it took."""

    reservoir: str
    taken: Mapping[str, float | str]


@dataclass(slots=True)
class _Given:
    """The id that a press was given, when, and after how many entries."""

    id: str
    at_s: float
    entries: int


@dataclass(slots=True)
class PressDesk:
    """Stands before the intake of commands; what no hub sent goes through as it is.

    Attributes:
        intake: Takes commands.
        station: Name of the station.
        capacities_l: Volume of each vessel by reservoir, L.
        now: The present moment of the station's clock.
    """

    intake: CommandIntake
    station: str
    capacities_l: Mapping[str, float]
    now: Callable[[], Instant]
    _entered: dict[str, dict[str, tuple[float | str, float]]] = field(
        default_factory=dict, init=False
    )
    _entries: int = field(default=0, init=False)
    _waiting: OrderedDict[str, _Waiting] = field(default_factory=OrderedDict, init=False)
    _given: OrderedDict[bytes, _Given] = field(default_factory=OrderedDict, init=False)
    _answers: dict[str, Message] = field(default_factory=dict, init=False)
    _due: dict[str, Message] = field(default_factory=dict, init=False)

    @property
    def filters(self) -> list[str]:
        """What to subscribe to."""
        return self.intake.filters

    def concerns(self, topic: str) -> bool:
        """Return whether a topic is one for commands."""
        return self.intake.concerns(topic)

    def connected(self) -> None:
        """Publish again what is entered and answered: the broker may have lost it."""
        self._due |= self._answers
        for reservoir in self.capacities_l:
            self._show_entered(reservoir)

    def take(
        self, messages: Iterable[IncomingMessage], dropped: int, now_s: float
    ) -> list[Message]:
        """Take messages, and return what can be said at once; see `CommandIntake.take`."""
        commands = [each for message in messages for each in self._translate(message, now_s)]
        replies = self.intake.take(commands, dropped, now_s)
        return self._with_answers(replies)

    def answers(self, now_s: float) -> list[Message]:
        """Return the answers that are there by now; see `CommandIntake.answers`.

        Raises:
            JournalError: The journal cannot be read.
        """
        self._forget_old(now_s)
        return self._with_answers(self.intake.answers(now_s))

    def _translate(self, message: IncomingMessage, now_s: float) -> list[IncomingMessage]:
        """Return the command of a message; none for what was entered, or cannot be composed."""
        sent = read(message.payload, message.size)
        reservoir = self._reservoir(message.topic)
        if sent is None or reservoir is None:
            return [message]
        if isinstance(sent, Press):
            return self._compose(message, reservoir, sent, now_s)
        if not message.retained:  # else it would be entered again with each connection
            self._enter(reservoir, sent, now_s)
        return []

    def _reservoir(self, topic: str) -> str | None:
        """Return which reservoir a topic is of, empty for the station; None for an unknown one."""
        parts = topic.split("/")
        if len(parts) == 3:  # noqa: PLR2004 - brinewright/STATION/command
            return STATION
        return parts[2] if parts[2] in self.capacities_l else None

    def _enter(self, reservoir: str, sent: Entry, now_s: float) -> None:
        wanted = INPUTS.get(sent.argument)
        if wanted is None or not reservoir or not set(wanted.verbs) & set(self.intake.allowed):
            self._refuse(reservoir, f"{sent.argument[:40]!r} cannot be entered here")
            return
        values = self._entered.setdefault(reservoir, {})
        try:
            value = entered(wanted, sent.value, self.capacities_l[reservoir])
        except ValueError as exc:
            self._refuse(reservoir, str(exc))
        else:
            self._entries += 1
            values.pop(sent.argument, None)
            if value is not None:
                values[sent.argument] = (value, now_s)
        # Said after a refusal too: the hub shows what was typed until it is told otherwise.
        self._show_entered(reservoir)

    def _compose(
        self, message: IncomingMessage, reservoir: str, press: Press, now_s: float
    ) -> list[IncomingMessage]:
        digest = hashlib.sha256(message.topic.encode() + b"\0" + message.payload).digest()
        given = self._given.get(digest)
        repeated = given is not None and now_s - given.at_s <= REPEAT_S
        if given is None or not repeated or given.entries != self._entries:
            missing = [each for each in press.needs if not self._value(reservoir, each)]
            if missing:
                names = " and ".join(
                    INPUTS[each].name if each in INPUTS else each for each in missing
                )
                self._refuse(reservoir, f"enter {names} first; nothing was sent")
                return []
            given = _Given(f"hub-{secrets.token_hex(8)}", now_s, self._entries)
            self._given[digest] = given
            _forget_oldest(self._given)
            taken = {
                each: value
                for each in (*press.needs, *press.takes)
                if (value := self._value(reservoir, each)) is not None
            }
            self._waiting[given.id] = _Waiting(reservoir, taken)
            _forget_oldest(self._waiting)
        waiting = self._waiting.get(given.id)
        facts = {} if waiting is None else waiting.taken
        payload = to_json({**press.command, **facts, "id": given.id})
        return [replace(message, payload=payload, size=len(payload))]

    def _value(self, reservoir: str, argument: str) -> float | str | None:
        found = self._entered.get(reservoir, {}).get(argument)
        return None if found is None else found[0]

    def _with_answers(self, replies: list[Message]) -> list[Message]:
        for reply in replies:
            self._take_reply(json.loads(reply.payload))
        due, self._due = [*self._due.values()], {}
        return [*replies, *due]

    def _take_reply(self, reply: Mapping[str, JSON]) -> None:
        waiting = self._waiting.get(str(reply.get("id")))
        if waiting is None:
            return
        self._answer(waiting.reservoir, reply)
        if reply.get("ok") is True and waiting.taken:
            values = self._entered.get(waiting.reservoir, {})
            for argument, value in waiting.taken.items():
                # What was entered meanwhile waits for the next press.
                if values.get(argument, (None, 0.0))[0] == value:
                    del values[argument]
            self._show_entered(waiting.reservoir)

    def _refuse(self, reservoir: str, sentence: str) -> None:
        self._answer(reservoir, {"ok": False, "answer": sentence, "verb": ""})

    def _answer(self, reservoir: str, reply: Mapping[str, JSON]) -> None:
        shown = {key: reply.get(key) for key in ("ok", "answer", "verb")}
        topic = f"{place(self.station, reservoir)}/hub/answer"
        message = Message(topic, to_json({**shown, **time_fields(self.now())}), retain=True)
        self._answers[topic] = self._due[topic] = message

    def _show_entered(self, reservoir: str) -> None:
        values = self._entered.get(reservoir, {})
        shown: dict[str, JSON] = {
            each: values[each][0] if each in values else None for each in INPUTS
        }
        topic = f"{place(self.station, reservoir)}/hub/inputs"
        self._due[topic] = Message(topic, to_json(shown), retain=True)

    def _forget_old(self, now_s: float) -> None:
        for reservoir, values in self._entered.items():
            old = [each for each, (_, at_s) in values.items() if now_s - at_s > KEPT_S]
            for each in old:
                del values[each]
            if old:
                self._show_entered(reservoir)


def _forget_oldest(known: OrderedDict[bytes, _Given] | OrderedDict[str, _Waiting]) -> None:
    while len(known) > MOST_REMEMBERED:
        known.popitem(last=False)
