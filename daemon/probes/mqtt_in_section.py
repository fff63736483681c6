"""The keys of a driver that reads what another node publishes."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Annotated, Any

from pydantic import AfterValidator, Field, ValidationInfo

from daemon.config.broker_access import BrokerAccess, access_crossings
from daemon.config.fields import Section, number, one_of, text, whole
from daemon.config.probe import IndicatingSource, Occupation, Quantity
from daemon.config.rules import Table
from daemon.wire.json_pointer import json_pointer
from daemon.wire.published import TimeForm

QUANTITIES: tuple[Quantity, ...] = ("conductivity", "temperature", "pump")


def _one_topic(value: str) -> str:
    """Refuse what is a filter of many topics, or none: two nodes on one would pass for one."""
    if set(value) & {"+", "#"}:
        raise ValueError("it holds + or #; name the one topic that one node publishes on")
    if "\0" in value or value.startswith("$"):
        raise ValueError("it holds a NUL or begins with $, as no topic of a node does")
    return value


def _pointer(value: str) -> str:
    return json_pointer(value).text


def _in_json(value: str, info: ValidationInfo) -> str:
    if info.data.get("value") is None:
        raise ValueError("it needs value beside it: a payload that is a number alone holds no more")
    return _pointer(value)


def _pointer_field(allowed: str) -> Any:  # noqa: ANN401 - as the fields of `daemon.config.fields`
    return Field(None, description=f"a JSON pointer to {allowed}, such as '/water/ec'")


Topic = Annotated[str, AfterValidator(_one_topic)]
Pointer = Annotated[str, AfterValidator(_pointer)]
PointerInJson = Annotated[str, AfterValidator(_in_json)]


class PublishedValue(Section):
    """Where a node publishes one quantity.

    Attributes:
        topic: On which.
        value: JSON pointer to the value; None where the payload is the value alone.
        time: JSON pointer to when it was measured, by the node's clock; None for none.
        time_form: How that is written: ISO 8601 with a zone, or s or ms since 1970.
    """

    topic: Topic = text("a topic such as 'fish-room/mix-1/water'", longest=500)
    value: Pointer | None = _pointer_field("the value in the payload")
    time: PointerInJson | None = _pointer_field("the time of measuring in the payload")
    time_form: TimeForm = one_of("iso", "s", "ms", default="iso")


class PublishedNumber(PublishedValue):
    """Where a node publishes a number.

    Attributes:
        unit: JSON pointer to the unit, which must then be that of `units`; None for none.
    """

    unit: PointerInJson | None = _pointer_field("the unit in the payload")


class PublishedSwitch(PublishedValue):
    """Where a node publishes whether the pump runs.

    Attributes:
        on: The word for a pump that runs.
        off: The word for one that rests.
    """

    on: str = text("a word such as 'on'", "on")
    off: str = text("a word such as 'off'", "off")


class PublishedAvailability(Section):
    """Where a node says that it is there, and the broker that it is gone.

    Attributes:
        topic: On which; retained, and the topic of the node's last will.
        value: JSON pointer to the word; None where the payload is the word alone.
        online: The word for a node that is there.
        offline: The word for one that is not.
    """

    topic: Topic = text("a topic such as 'fish-room/mix-1/status'", longest=500)
    value: Pointer | None = _pointer_field("the word in the payload")
    online: str = text("a word such as 'online'", "online")
    offline: str = text("a word such as 'offline'", "offline")


class MqttInSection(IndicatingSource, BrokerAccess):
    """The section of a driver that reads what another node publishes on an MQTT broker.

    Attributes:
        conductivity: Where that is published; None where the node measures none.
        temperature: Likewise.
        pump: Likewise, whether the circulation pump runs.
        availability: Where the node says that it is there; None where it does not say.
        keepalive_s: Longest silence on the connection, s; short, for a link that is cut without
            a word is found out by it.
        together_within_s: How far apart conductivity and temperature may be measured and
            still belong together, s; None for one period.
    """

    conductivity: PublishedNumber | None = Field(
        None, description="{ topic = 'fish-room/mix-1/water', value = '/conductivity' }"
    )
    temperature: PublishedNumber | None = Field(
        None, description="{ topic = 'fish-room/mix-1/water', value = '/temperature' }"
    )
    pump: PublishedSwitch | None = Field(
        None, description="{ topic = 'fish-room/mix-1/pump', on = 'on', off = 'off' }"
    )
    availability: PublishedAvailability | None = Field(
        None, description="{ topic = 'fish-room/mix-1/status', online = 'online' }"
    )
    keepalive_s: int = whole(5, 3600, "seconds", 5)
    together_within_s: float | None = number(0.1, 600, "seconds", None)

    @property
    def together_s(self) -> float:
        """How far apart conductivity and temperature may be measured, s."""
        return self.period_s if self.together_within_s is None else self.together_within_s

    @property
    def needs_network(self) -> bool:
        """A broker is reached over one, also that of the same machine."""
        return True

    @classmethod
    def gives(cls, table: Mapping[str, Any]) -> frozenset[Quantity]:
        """Return the quantities that have a topic."""
        return frozenset(each for each in QUANTITIES if each in table)

    @classmethod
    def lack(cls, quantity: Quantity) -> tuple[str, str]:
        """Return that the topic of a quantity is missing."""
        return quantity, f"is missing; give {cls.model_fields[quantity].description}"

    @classmethod
    def crossings(cls, table: Table) -> Iterator[tuple[str, str]]:
        """Yield what is wrong between keys: no topic at all, two words that are one."""
        yield from super().crossings(table)
        yield from access_crossings(table)
        if not cls.gives(table):
            yield "driver", "reads nothing so; give conductivity, temperature or pump a topic"
        for key, words in (("availability", ("online", "offline")), ("pump", ("on", "off"))):
            yield from _two_words(table, key, words)

    @classmethod
    def occupies(cls, table: Table) -> Occupation | None:
        """Return the topic of what it measures: two probes that read it would be one instrument."""
        for key in QUANTITIES:
            place = table.get(key)
            topic = place.get("topic") if isinstance(place, Mapping) else None
            host = table.get("host")
            if isinstance(place, Mapping) and isinstance(topic, str) and isinstance(host, str):
                pointer = place.get("value", "")
                return Occupation(key, f"{host}/{topic} {pointer}".strip())
        return None


def _two_words(table: Table, key: str, words: tuple[str, str]) -> Iterator[tuple[str, str]]:
    place = table.get(key)
    if isinstance(place, Mapping):
        one, other = (place.get(word, word) for word in words)
        if one == other:
            yield (
                key,
                f"has {one!r} for both {words[0]} and {words[1]}; give each a word of its own",
            )
