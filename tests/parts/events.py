"""The one place in which tests make events, and in which they look at what an event says."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime

from daemon.entries import JSON, Event, Instant, Kind
from daemon.journal import event_codec
from daemon.mixing.events import Happening

AT = Instant(datetime(2026, 3, 2, 8, tzinfo=UTC), 1000.0, "boot-1")


def event(
    kind: Kind,
    facts: Mapping[str, JSON] | None = None,
    *,
    reservoir: str = "mix-1",
    at: Instant = AT,
    batch: str = "mix-1-20260302-1",
) -> Event:
    """Return an event of a kind that says this."""
    return Event(reservoir, at, batch, event_codec.body_of(kind, dict(facts or {})))


def facts_in(event: Event | Happening) -> dict[str, JSON]:
    """Return what an event says, by the names under which it is published."""
    return event_codec.facts_of(event.body)
