"""Snapshots for tests, and what is in them as JSON has it."""

from __future__ import annotations

import json

from daemon.entries import JSON, Instant
from daemon.journal.reader import Reader
from daemon.journal.shapes import to_object
from daemon.journal.snapshot_codec import reservoir_snapshot
from daemon.mixing.station.snapshot import ReservoirSnapshot
from daemon.mixing.station.station import Station


def a_snapshot(**members: JSON) -> ReservoirSnapshot:
    """A snapshot with these members of its JSON; by default of a reservoir without a batch."""
    found = reservoir_snapshot(
        json.dumps({"time": "2026-03-02T12:00:00.000Z", "phase": "idle", **members})
    )
    assert found is not None
    return found


def snapshot_in(station: Station, reservoir: str, at: Instant) -> dict[str, JSON]:
    """The present state of a reservoir, or of the station for no name."""
    return to_object(station.snapshot(reservoir, at))


def snapshots_in(reader: Reader) -> dict[str, dict[str, JSON]]:
    """The present state of each reservoir that a journal knows."""
    return {name: to_object(each) for name, each in reader.snapshots().items()}


def own_snapshot_in(reader: Reader) -> dict[str, JSON] | None:
    """The present state of the station that a journal knows; None where it knows none."""
    found = reader.station_snapshot()
    return None if found is None else to_object(found)


def stored(**members: JSON) -> dict[str, JSON]:
    """A snapshot as the journal stores it, with these members."""
    return to_object(a_snapshot(**members))
