"""What is said of an entry to the outside: pure functions from entries to JSON objects.

`brinewright replay --json` and the topics share these shapes, so that a script
written for the one understands the other.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import UTC, datetime

from daemon.entries import JSON, Event, Flag, Instant, Reading
from daemon.journal.reader import Stored
from daemon.journal.rows import from_ms, to_ms
from daemon.printable import printable_json

PICTURE_EXPIRES_S = 180
"""Without a new picture for so long nobody measures; probes are read once a minute at the least."""


_ENCODER = json.JSONEncoder(separators=(",", ":"), ensure_ascii=False, allow_nan=False)


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


def iso_time(wall: datetime) -> str:
    """Return a time as ISO 8601 in UTC with milliseconds and Z, the resolution of records."""
    to_the_ms = from_ms(to_ms(wall)).astimezone(UTC)
    return to_the_ms.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def event_payload(event: Event) -> dict[str, JSON]:
    """Return an event as a JSON object: time, reservoir, batch, kind, then its facts.

    A fact never takes the place of one of the four.  `synced` is there, and
    false, only when the clock was not known to be right.
    """
    head: dict[str, JSON] = {
        **_time(event.at),
        "reservoir": event.reservoir,
        "batch": event.batch,
        "kind": str(event.kind),
    }
    return {**head, **event.facts, **head}


def reading_payload(reading: Reading) -> dict[str, JSON]:
    """Return a reading as a JSON object.

    `tests` names only those that were not passed, with their QARTOD flags;
    `pump`, `fault`, `calibration` and `synced` are there only when there is something to say.
    """
    found: dict[str, JSON] = {
        **_time(reading.at),
        "conductivity_mS_cm": reading.conductivity_mS_cm,
        "temperature_C": reading.temperature_C,
        "salinity": reading.salinity,
        "salinity_u": reading.salinity_u,
        "flag": int(reading.flag),
        "tests": {name: int(flag) for name, flag in reading.tests.items() if flag is not Flag.PASS},
        "probe": reading.probe,
    }
    if reading.pump is not None:
        found["pump"] = reading.pump
    if reading.fault:
        found["fault"] = reading.fault
    if reading.calibration:
        found["calibration"] = reading.calibration
    return found


def alarm_payload(event: Event) -> dict[str, JSON]:
    """Return an `alarm` event as the present state of that alarm: time and its facts."""
    return {**event.facts, **_time(event.at)}


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
    name = event.facts.get("name", "unnamed")
    return Message(
        f"{place(station, event.reservoir)}/alarm/{name}",
        to_json(alarm_payload(event)),
        retain=True,
    )


def entry_message(station: str, stored: Stored) -> Message:
    """A reading or an event under its `seq`, by which a subscriber drops what comes twice."""
    entry = stored.entry
    if isinstance(entry, Reading):
        told, leaf = reading_payload(entry), "reading"
    else:
        told, leaf = event_payload(entry), "event"
    payload = to_json({**told, "seq": stored.seq})
    return Message(f"{place(station, entry.reservoir)}/{leaf}", payload)


def to_json(value: JSON) -> bytes:
    """Return compact JSON, UTF-8; half of a surrogate pair, which UTF-8 cannot say, becomes `?`.

    What cannot be printed is escaped, which says the same: a subscriber on a terminal shows it.

    Raises:
        ValueError: A number in it is not finite, which JSON cannot say.
    """
    text = _ENCODER.encode(value)
    if not text.isprintable():
        text = printable_json(text.encode(errors="replace").decode())
    return text.encode()


def place(station: str, reservoir: str) -> str:
    """Return the beginning of the topics of a reservoir, or of the station's own."""
    return f"brinewright/{station}/{reservoir}" if reservoir else f"brinewright/{station}"


def _time(at: Instant) -> dict[str, JSON]:
    told: dict[str, JSON] = {"time": iso_time(at.wall)}
    if not at.synced:
        told["synced"] = False
    return told
