"""What a hub writes into its database: a row for each state or attribute that differs.

The hub's recorder stores a state when it, or any attribute of it, is another than before; a
message that changes neither costs nothing (core 2025.4, given a day of messages, changed as many
states as are counted here).
"""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import dataclass, field
from typing import Any

from jinja2 import Template
from jinja2.sandbox import ImmutableSandboxedEnvironment

from daemon.publishing.topic_messages import Message
from tests.parts.hub_rules import DROPPED, payload_of


@dataclass
class Entity:
    """One entity, with its state and attributes as they are.

    Attributes:
        id: In its device.
        state_template: By which its state is read.
        attributes_template: By which its attributes are read; None without any.
        state: Its state; None before any.
        attributes: Its attributes.
    """

    id: str
    state_template: Template | None
    attributes_template: Template | None
    state: str | None = None
    attributes: dict[str, Any] = field(default_factory=dict)


class HubRecorder:
    """Counts the rows of one device's entities.

    Attributes:
        rows: How many each has cost, by its id.
        messages: How many came that one of them reads.
    """

    def __init__(self, announcement: Message) -> None:
        """Begin with no row."""
        hub = ImmutableSandboxedEnvironment()
        self.rows: Counter[str] = Counter()
        self.messages = 0
        self._states: dict[str, list[Entity]] = {}
        self._attributes: dict[str, list[Entity]] = {}
        for id_, each in payload_of(announcement)["components"].items():
            state, beside = (
                hub.from_string(each[key]) if key in each else None
                for key in ("value_template", "json_attributes_template")
            )
            entity = Entity(id_, state, beside)
            if "state_topic" in each:
                self._states.setdefault(each["state_topic"], []).append(entity)
            if "json_attributes_topic" in each:
                self._attributes.setdefault(each["json_attributes_topic"], []).append(entity)

    def take(self, message: Message) -> None:
        """Take one message, and count what differs after it; others' topics are not read."""
        if message.topic not in self._states and message.topic not in self._attributes:
            return
        self.messages += 1
        told = json.loads(message.payload)
        stated = self._states.get(message.topic, [])
        with_attributes = self._attributes.get(message.topic, [])
        before = {each.id: (each.state, each.attributes) for each in (*stated, *with_attributes)}
        for each in stated:
            if each.state_template is not None:
                each.state = each.state_template.render(value_json=told)
        for each in with_attributes:
            found = told
            if each.attributes_template is not None:
                found = json.loads(each.attributes_template.render(value_json=told))
            each.attributes = {key: one for key, one in found.items() if key not in DROPPED}
        for each in {one.id: one for one in (*stated, *with_attributes)}.values():
            self.rows[each.id] += (each.state, each.attributes) != before[each.id]

    @property
    def states(self) -> dict[str, str | None]:
        """The state of each entity, by its id."""
        return {each.id: each.state for group in self._states.values() for each in group}

    @property
    def attributes(self) -> dict[str, dict[str, Any]]:
        """The attributes of each entity that has any, by its id."""
        return {each.id: each.attributes for group in self._attributes.values() for each in group}
