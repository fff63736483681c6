"""An entry as a JSON object: what export, `replay --json` and every topic share.

A script written for the one understands the others.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime

from daemon.entries import JSON, Event, Flag, Instant, Reading
from daemon.journal.event_codec import facts_of
from daemon.journal.rows import from_ms, to_ms
from daemon.printable import printable_json

AGES = ("conductivity_age_s", "temperature_age_s")
"""How much older than its time each value of a reading is, where one is."""
_ENCODER = json.JSONEncoder(separators=(",", ":"), ensure_ascii=False, allow_nan=False)


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
        **time_fields(event.at),
        "reservoir": event.reservoir,
        "batch": event.batch,
        "kind": str(event.kind),
    }
    return {**head, **facts_of(event.body), **head}


def reading_payload(reading: Reading) -> dict[str, JSON]:
    """Return a reading as a JSON object.

    `tests` names only those that were not passed, with their QARTOD flags;
    `figures`, `pump`, `fault`, `calibration`, `synced` and the ages of the two values are there
    only when there is something to say.
    """
    fields: dict[str, JSON] = {
        **time_fields(reading.at),
        "conductivity_mS_cm": reading.conductivity_mS_cm,
        "temperature_C": reading.temperature_C,
        "salinity": reading.salinity,
        "salinity_u": reading.salinity_u,
        "flag": int(reading.flag),
        "tests": {name: int(flag) for name, flag in reading.tests.items() if flag is not Flag.PASS},
        "probe": reading.probe,
    }
    if reading.figures:
        fields["figures"] = dict(reading.figures)
    if reading.pump is not None:
        fields["pump"] = reading.pump
    if reading.fault:
        fields["fault"] = reading.fault
    if reading.calibration:
        fields["calibration"] = reading.calibration
    for name in AGES:
        if age_s := getattr(reading, name):
            fields[name] = age_s
    return fields


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


def time_fields(at: Instant) -> dict[str, JSON]:
    """Return the time of an entry, and `synced` false where the clock was not known to be right."""
    fields: dict[str, JSON] = {"time": iso_time(at.wall)}
    if not at.synced:
        fields["synced"] = False
    return fields
