"""When the water may be expected to be released, and since when it is steady.

A forecast is never a fact, nor a fact a forecast.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.entries import Phase

if TYPE_CHECKING:
    from collections.abc import Callable

    from daemon.mixing.events import ForecastMade
    from daemon.mixing.station.snapshot import ReservoirSnapshot

AHEAD = (Phase.DISSOLVING,)
"""Phases in which a release is forecast."""
FACT = (Phase.VERIFYING, Phase.READY, Phase.OFF_TARGET, Phase.STALE)
"""Phases in which the water is steady."""

RELEASE, STEADINESS = "expected release", "expected steady"


def steady_since(snapshot: ReservoirSnapshot) -> str | None:
    """Return since when the water is steady, ISO 8601; None while it is not, or nobody knows.

    Of a suspended batch nobody knows it: its probe may be elsewhere.
    """
    if snapshot.question is not None:
        return None
    return snapshot.stable_at if snapshot.phase in FACT else None


def expected_now(snapshot: ReservoirSnapshot, clock: Callable[[str], str]) -> tuple[str, str]:
    """Return what is expected of the water, and when, or why that cannot be said.

    Args:
        snapshot: Of the reservoir.
        clock: Gives the time of day of a moment in ISO 8601.

    Returns:
        What, and the rest of the sentence; the rest is empty where nothing dissolves.
    """
    if snapshot.phase not in AHEAD:
        return RELEASE, ""
    return expected(snapshot, clock)


def expected(
    forecast: ForecastMade | ReservoirSnapshot, clock: Callable[[str], str]
) -> tuple[str, str]:
    """Return what a forecast says: what is expected, and when, or why that cannot be said."""
    at, low, high = (
        forecast.expected_ready_at, forecast.expected_ready_low, forecast.expected_ready_high
    )  # fmt: skip
    if at is None:
        return RELEASE, forecast.forecast_note
    text = f"about {clock(at)}"
    if low is not None and high is not None:  # the zone is named once
        text = f"about {_without_zone(clock(at))} ({_without_zone(clock(low))} to {clock(high)})"
    text += _salinity(forecast)
    if forecast.forecast_note:
        return STEADINESS, f"{text}; {forecast.forecast_note}"
    return RELEASE, text


def _without_zone(time: str) -> str:
    return time.partition(" ")[0]


def _salinity(forecast: ForecastMade | ReservoirSnapshot) -> str:
    value, low, high = forecast.final_salinity, forecast.final_low, forecast.final_high
    if value is None or low is None or high is None:
        return ""
    return f", at {value:.1f} ppt ({low:.1f} to {high:.1f})"
