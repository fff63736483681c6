"""When the water is expected to be steady, and since when it is: a forecast is never a fact."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

from daemon.entries import Phase

if TYPE_CHECKING:
    from daemon.mixing.station.snapshot import ReservoirSnapshot

FORECAST = (Phase.DISSOLVING,)
"""Phases in which the `stable_at` of a snapshot lies ahead."""
FACT = (Phase.VERIFYING, Phase.READY, Phase.OFF_TARGET, Phase.STALE)
"""Phases in which it has come true."""


def expected_steady(snapshot: ReservoirSnapshot) -> str | None:
    """Return when the water is expected to be steady, ISO 8601; None where nothing is forecast."""
    return _moment(snapshot, FORECAST)


def is_late(snapshot: ReservoirSnapshot) -> bool:
    """Return whether the moment of the forecast has passed and the water is not steady yet."""
    expected = expected_steady(snapshot)
    try:
        return expected is not None and (
            datetime.fromisoformat(expected) < datetime.fromisoformat(snapshot.time)
        )
    except (ValueError, TypeError):
        return False


def steady_since(snapshot: ReservoirSnapshot) -> str | None:
    """Return since when the water is steady, ISO 8601; None while it is not."""
    return _moment(snapshot, FACT)


def _moment(snapshot: ReservoirSnapshot, phases: tuple[Phase, ...]) -> str | None:
    return snapshot.stable_at if snapshot.phase in phases else None
