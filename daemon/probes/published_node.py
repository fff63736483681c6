"""One node that publishes: on which topics, and where in a message each value stands."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from daemon.wire.published import Published, Unreadable, same_unit

if TYPE_CHECKING:
    from daemon.config.probe import Quantity
    from daemon.wire.json_pointer import JsonPointer
    from daemon.wire.published import TimeForm
    from daemon.wire.units import Scale


@dataclass(frozen=True, slots=True)
class Arrived:
    """One message that came in.

    Attributes:
        topic: On which.
        payload: Its bytes.
        retained: Whether the broker had kept it from before we subscribed.
        again: Whether the broker sent the one before it a second time.
    """

    topic: str
    payload: bytes
    retained: bool = False
    again: bool = False


@dataclass(frozen=True, slots=True)
class Place:
    """Where a quantity stands in which message.

    Attributes:
        quantity: Which.
        topic: Of the message.
        value: To the value; None where the payload is the value.
        time: To the time stamp; None for none.
        time_form: How that is written.
        unit: To the unit; None where the message states none.
        declared: The unit that it is declared to have; empty for none.
        words: What stands for a pump that runs, and for one that rests.
    """

    quantity: Quantity
    topic: str
    value: JsonPointer | None = None
    time: JsonPointer | None = None
    time_form: TimeForm = "iso"
    unit: JsonPointer | None = None
    declared: str = ""
    words: tuple[str, str] = ("on", "off")

    def read(self, published: Published) -> float:
        """Return the value; of a pump 1 where it runs, and 0.

        Raises:
            Unreadable: The message holds none, or one of another unit.
        """
        if self.quantity == "pump":
            return self._switch(published)
        number = published.number(self.value)
        if self.unit is not None:
            said = published.word(self.unit)
            if not same_unit(said, self.declared):
                rule = f"units.{self.quantity} is {self.declared!r}"
                raise Unreadable(f"it is in {said[:20]!r}, and {rule}; make both the same")
        return number

    def _switch(self, published: Published) -> float:
        word = published.word(self.value)
        if word not in self.words:
            known = " or ".join(map(repr, self.words))
            raise Unreadable(f"it is {word[:40]!r}, and not {known}")
        return float(word == self.words[0])


@dataclass(frozen=True, slots=True)
class Availability:
    """Where a node says that it is there.

    Attributes:
        topic: On which.
        value: To the word; None where the payload is the word.
        online: The word for a node that is there.
        offline: The word for one that is not.
    """

    topic: str
    value: JsonPointer | None = None
    online: str = "online"
    offline: str = "offline"


@dataclass(frozen=True, slots=True)
class Node:
    """What one node publishes, and how it is read.

    Attributes:
        reservoir: That it looks at; empty for an input.
        name: Of the probe or input.
        where: The broker, for sentences.
        places: Of each quantity.
        scale: What its numbers mean.
        period_s: Between its readings, s.
        together_s: How far apart conductivity and temperature may be measured, s.
        availability: Where it says that it is there; None where it does not.
    """

    reservoir: str
    name: str
    where: str
    places: tuple[Place, ...]
    scale: Scale
    period_s: float
    together_s: float
    availability: Availability | None = None

    @property
    def topics(self) -> tuple[str, ...]:
        """All topics to subscribe to, availability first."""
        own = () if self.availability is None else (self.availability.topic,)
        return tuple(dict.fromkeys((*own, *(each.topic for each in self.places))))
