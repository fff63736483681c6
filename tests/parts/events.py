"""The one place in which tests make events, and in which they look at what an event says."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime

from daemon.entries import JSON, Event, Instant, Kind

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
    return Event(reservoir, at, batch, kind, dict(facts or {}))


def facts_of(said: Event) -> Mapping[str, JSON]:
    """Return what an event says, by the names under which it is published."""
    return said.facts
