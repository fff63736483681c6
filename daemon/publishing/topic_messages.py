"""Messages to topics: topic, payload, and whether the broker retains it."""

from __future__ import annotations

from dataclasses import dataclass

from daemon.entries import JSON, Event, Reading
from daemon.journal.event_codec import facts_of
from daemon.journal.payloads import event_payload, reading_payload, time_fields, to_json
from daemon.journal.reader import Stored
from daemon.journal.shapes import to_object
from daemon.mixing.station.snapshot import ReservoirSnapshot, StationSnapshot

SNAPSHOT_EXPIRES_S = 180
"""Without a new snapshot for so long nothing is measured; a probe is read each minute at least."""


@dataclass(frozen=True, slots=True)
class Message:
    """One message to a topic.

    Attributes:
        topic: Full topic.
        payload: Its bytes, UTF-8.
        retain: Whether the broker retains it for later subscribers.
        correlation: By which the receiver recognises an answer (MQTT 5); empty for none.
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
    """Return whether the station publishes."""
    return Message(
        f"brinewright/{station}/availability", b"online" if online else b"offline", retain=True
    )


def state_message(
    station: str, reservoir: str, snapshot: ReservoirSnapshot | StationSnapshot
) -> Message:
    """Return the snapshot of a reservoir, for later subscribers too.

    Where a probe is read, it changes with each reading, so it expires at the broker when no
    other follows.
    """
    measured = isinstance(snapshot, ReservoirSnapshot) and snapshot.probe is not None
    return Message(
        f"{place(station, reservoir)}/state",
        to_json(to_object(snapshot)),
        retain=True,
        expires_s=SNAPSHOT_EXPIRES_S if measured else None,
    )


def alarm_message(station: str, event: Event) -> Message:
    """Return the present state of one alarm, for later subscribers too."""
    name = facts_of(event.body).get("name", "unnamed")
    return Message(
        alarm_topic(station, event.reservoir, str(name)),
        to_json(alarm_payload(event)),
        retain=True,
    )


def alarm_topic(station: str, reservoir: str, name: str) -> str:
    """Return the topic of the present state of an alarm."""
    return f"{place(station, reservoir)}/alarm/{name}"


def entry_message(station: str, stored: Stored) -> Message:
    """Return a reading or an event with its `seq`, by which a subscriber drops what comes twice."""
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
