"""Readings and events that are numbered by the second, for tests of what stores and sends them."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from daemon.entries import Event, Flag, Instant, Kind, Reading
from daemon.journal.event_codec import body_of
from daemon.mixing.probe.quality import TESTS

START = datetime(2031, 5, 4, 9, 0, tzinfo=UTC)


def reading(number: int, probe: str = "ct-1", boot: str = "boot-1", spoken: str = "") -> Reading:
    """A good reading, `number` seconds after the start."""
    return Reading(
        reservoir="mix-1",
        probe=probe,
        at=Instant(START + timedelta(seconds=number), float(number), boot),
        conductivity_mS_cm=51.0,
        temperature_C=24.5,
        salinity=33.9,
        salinity_u=0.05,
        flag=Flag.PASS,
        tests=dict.fromkeys(TESTS, Flag.PASS),
        spoken=spoken,
    )


def event(number: int, boot: str = "boot-1") -> Event:
    """An event, `number` seconds after the start."""
    at = Instant(START + timedelta(seconds=number), float(number), boot)
    return Event(
        "mix-1", at, "lot-7", body_of(Kind.PHASE, {"from": "dissolving", "to": "verifying"})
    )
