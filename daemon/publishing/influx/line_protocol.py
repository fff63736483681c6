"""The line of an entry for a time-series database, in line protocol.

Measurement `reading` with the tags station, reservoir and probe; measurement `event`
with station, kind and, unless it is about the station, reservoir.  What takes ever new
values (batch, calibration, texts) is a field, for each new tag value is a new series.

A field keeps its type for ever, or a database refuses it: numbers of an event are
always floating-point under their fact's name, texts are always under that name with
`_text` behind it, and all facts together stand in `facts` as JSON.

The time is the entry's millisecond plus its number, modulo a prime, in nanoseconds: so
an entry that is sent again overwrites itself, and no other one, also where the wall
clock has shown the same millisecond twice.

Source: line protocol as of InfluxDB 2: times are nanoseconds in 64 bits, of which the
two lowest are reserved; texts of fields up to 64 KiB; no newline within a tag.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.entries import JSON, Event, Flag, Reading
from daemon.errors import BrinewrightError
from daemon.journal.event_codec import facts_of
from daemon.journal.payloads import AGES
from daemon.journal.rows import to_json, to_ms
from daemon.publishing.influx.client import Point

if TYPE_CHECKING:
    from datetime import datetime

    from daemon.journal.reader import Stored

LONGEST_KEY = 200
LONGEST_TEXT = 1_000
LONGEST_FACTS = 30_000
MOST_FACTS = 50
NS_PER_MS = 1_000_000
WITHIN_MS = 999_983
"""The largest prime below the nanoseconds of a millisecond; no step of numbers divides it."""
EARLIEST_NS, LATEST_NS = -(2**63) + 2, 2**63 - 2
RESERVED = frozenset({"seq", "batch", "facts", "synced", "time", "station", "reservoir", "kind"})


class UnfitError(BrinewrightError, ValueError):
    """No database of this kind can hold the entry; the text says why."""


def line(station: str, stored: Stored) -> str:
    """Return the line of an entry.

    Raises:
        UnfitError: Its time cannot be said in 64 bits of nanoseconds.
    """
    entry = stored.entry
    point = _reading(entry) if isinstance(entry, Reading) else _event(entry)
    point.tag("station", key_text(station))
    point.field("seq", stored.seq)
    if not entry.at.synced:
        point.field("synced", value=False)
    point.time(time_ns(entry.at.wall, stored.seq))
    return str(point.to_line_protocol())


def time_ns(wall: datetime, seq: int) -> int:
    """Return the time of an entry, ns since 1970, unlike that of any other one.

    Raises:
        UnfitError: It lies before 1678 or after 2262.
    """
    at_ns = to_ms(wall) * NS_PER_MS + seq % WITHIN_MS
    if not EARLIEST_NS <= at_ns <= LATEST_NS:
        raise UnfitError(f"its time, {wall:%Y-%m-%d}, is beyond what a database can hold")
    return at_ns


def _reading(reading: Reading) -> Point:
    point = Point("reading")
    point.tag("reservoir", key_text(reading.reservoir)).tag("probe", key_text(reading.probe))
    for name in ("conductivity_mS_cm", "temperature_C", "salinity", "salinity_u"):
        value = getattr(reading, name)
        point.field(name, None if value is None else float(value))
    for name in AGES:
        # A field that is mostly nothing costs nothing where it is left out.
        point.field(name, float(getattr(reading, name)) or None)
    point.field("flag", int(reading.flag))
    point.field("pump", reading.pump)
    failed = " ".join(
        f"{name}:{int(flag)}" for name, flag in reading.tests.items() if flag is not Flag.PASS
    )
    for name, value in (
        ("tests", failed),
        ("fault", reading.fault),
        ("calibration", reading.calibration),
    ):
        point.field(name, plain_text(value) or None)
    return point


def _event(event: Event) -> Point:
    point = Point("event")
    point.tag("reservoir", key_text(event.reservoir)).tag("kind", str(event.kind))
    point.field("batch", plain_text(event.batch) or None)
    facts = dict(facts_of(event.body))
    point.field("facts", plain_text(to_json(facts), LONGEST_FACTS))
    for name, value in list(facts.items())[:MOST_FACTS]:
        _fact(point, key_text(name), value)
    return point


def _fact(point: Point, name: str, value: JSON) -> None:
    if not name or name in RESERVED or name.startswith("_") or name.endswith("_text"):
        return  # `facts` has it
    if isinstance(value, str):
        point.field(f"{name}_text", plain_text(value))
    elif isinstance(value, int | float) and not isinstance(value, bool):
        try:
            point.field(name, float(value))
        except OverflowError:  # a whole number beyond all floating-point ones; `facts` has it
            return


def key_text(value: str) -> str:
    """Return a tag's value or a field's name; servers disagree on backslashes there."""
    return plain_text(value, LONGEST_KEY).replace("\\", "/").strip()


def plain_text(value: str, longest: int = LONGEST_TEXT) -> str:
    """Return a text on one line, bounded, that UTF-8 can say."""
    plain = value.encode(errors="replace").decode()
    line = "".join(letter if letter.isprintable() else " " for letter in plain)
    return line if len(line) <= longest else f"{line[: longest - 1]}…"
