"""Messages to topics: which topic, what it says, and what the broker does with it."""

from __future__ import annotations

from dataclasses import dataclass

from daemon.entries import JSON, Event, Reading
from daemon.journal.event_codec import facts_of
from daemon.journal.payloads import event_payload, reading_payload, time_fields, to_json
from daemon.journal.reader import Stored

PICTURE_EXPIRES_S = 180
"""Without a new picture for so long nobody measures; probes are read once a minute at the least."""


@dataclass(frozen=True, slots=True)
class Message:
    """One message to a topic.

    Attributes:
        topic: Full topic.
        payload: What it says, UTF-8.
        retain: Whether the broker keeps it for whoever comes later.
        correlation: What the receiver knows an answer by (MQTT 5); empty for none.
        expires_s: How long it is of use, s (MQTT 5); None for ever.
    """

    topic: str
    payload: bytes
    retain: bool = False
    correlation: bytes = b""
    expires_s: int | None = None


def alarm_payload(event: Event) -> dict[str, JSON]:
    """Return an `alarm` event as the present state of that alarm: time and its facts."""
    return {**facts_of(event.body), **time_fields(event.at)}


def availability(station: str, *, online: bool) -> Message:
    """Whether anybody publishes for the station."""
    return Message(
        f"brinewright/{station}/availability", b"online" if online else b"offline", retain=True
    )


def state_message(station: str, reservoir: str, picture: JSON) -> Message:
    """The whole present picture of a reservoir, for whoever comes later too.

    Not for who comes so late that it is no longer the present: where a probe is read, it
    changes with each reading, and the broker forgets one that was not followed by another.
    """
    read = isinstance(picture, dict) and picture.get("probe") is not None
    return Message(
        f"{place(station, reservoir)}/state",
        to_json(picture),
        retain=True,
        expires_s=PICTURE_EXPIRES_S if read else None,
    )


def alarm_message(station: str, event: Event) -> Message:
    """The present state of one alarm, for whoever comes later too."""
    name = facts_of(event.body).get("name", "unnamed")
    return Message(
        alarm_topic(station, event.reservoir, str(name)),
        to_json(alarm_payload(event)),
        retain=True,
    )


def alarm_topic(station: str, reservoir: str, name: str) -> str:
    """Return where the present state of an alarm is."""
    return f"{place(station, reservoir)}/alarm/{name}"


def entry_message(station: str, stored: Stored) -> Message:
    """A reading or an event under its `seq`, by which a subscriber drops what comes twice."""
    entry = stored.entry
    if isinstance(entry, Reading):
        payload, leaf = reading_payload(entry), "reading"
    else:
        payload, leaf = event_payload(entry), "event"
    return Message(
        f"{place(station, entry.reservoir)}/{leaf}", to_json({**payload, "seq": stored.seq})
    )


def place(station: str, reservoir: str) -> str:
    """Return the beginning of the topics of a reservoir, or of the station's own."""
    return f"brinewright/{station}/{reservoir}" if reservoir else f"brinewright/{station}"
