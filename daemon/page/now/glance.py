"""What is read in passing beside the salinity: temperature, until when to use it, what is left.

A forecast is never given as a fact, and what is not known is said or left out, never shown as 0.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from daemon.entries import Phase
from daemon.mixing.station.steady import AHEAD, STEADINESS, expected_now, steady_since
from daemon.page.now.moments import interval_words, moment_of, moment_words

if TYPE_CHECKING:
    from datetime import tzinfo

    from daemon.mixing.station.snapshot import ReservoirSnapshot
    from daemon.page.view import DisplaySettings, ReservoirView

UNKNOWN = "not known"
SALTED = (Phase.DISSOLVING, Phase.VERIFYING, Phase.READY, Phase.OFF_TARGET, Phase.STALE)
"""Phases in which there is water of a batch to be left."""
WHOLE_L = 10.0
"""From here on whole litres are as much as a volume is known by."""


@dataclass(frozen=True, slots=True)
class Glance:
    """One figure with its label.

    Attributes:
        label: What it is.
        value: In large type.
        more: What belongs to it, in small type; may be empty.
    """

    label: str
    value: str
    more: str = ""


@dataclass(frozen=True, slots=True)
class TimeWords:
    """How a person says moments now.

    Attributes:
        now: The present moment.
        zone: Of the station.
    """

    now: datetime
    zone: tzinfo

    def moment(self, text: str) -> str:
        """Return a moment of ISO 8601 in words; a text that is none as it is."""
        at = moment_of(text)
        return text if at is None else moment_words(at, self.now, self.zone)

    def interval(self, low: str | None, high: str | None) -> str:
        """Return an interval in words; empty where an end is missing."""
        first, last = moment_of(low), moment_of(high)
        if first is None or last is None:
            return ""
        return interval_words(first, last, self.now, self.zone)


def glances(reservoir: ReservoirView, times: TimeWords) -> tuple[Glance, ...]:
    """Return the figures of a reservoir with a fresh reading, or what is left of them without.

    Args:
        reservoir: As the journal has it.
        times: How moments are said.
    """
    snapshot = reservoir.snapshot
    if snapshot is None:
        return ()
    celsius = snapshot.temperature_C
    degrees = UNKNOWN if celsius is None else f"{celsius:.1f} °C"
    if not reservoir.fresh:
        return (Glance("Temperature", degrees, "last known"),)
    found = (
        Glance("Temperature", degrees),
        _when(snapshot, reservoir.settings, times),
        _left(snapshot),
    )
    return tuple(each for each in found if each is not None)


def use_by(snapshot: ReservoirSnapshot, settings: DisplaySettings) -> datetime | None:
    """Return when water that was released is to be used by; None where that is not known."""
    stated = moment_of(snapshot.use_by)
    if stated is not None or snapshot.age_h is None or settings.use_within_h is None:
        return stated
    at = moment_of(snapshot.time)
    try:
        left = timedelta(hours=settings.use_within_h - snapshot.age_h)
        return None if at is None else at + left
    except (ValueError, OverflowError):
        return None


def _when(
    snapshot: ReservoirSnapshot, settings: DisplaySettings, times: TimeWords
) -> Glance | None:
    """Return when the water may be used, or until when, or when to begin; None for nothing."""
    if snapshot.question is not None:
        return Glance("Suspended", f"since {times.moment(snapshot.question.since)}")
    if snapshot.phase in AHEAD:
        return _forecast(snapshot, times)
    if snapshot.phase in (Phase.READY, Phase.STALE):
        by = use_by(snapshot, settings)
        words = UNKNOWN if by is None else moment_words(by, times.now, times.zone)
        return Glance("Use before" if snapshot.phase is Phase.READY else "Expired", words)
    since = steady_since(snapshot)
    if since is not None:
        return Glance("Steady since", times.moment(since))
    if snapshot.start_by is not None:
        return Glance("Begin by", times.moment(snapshot.start_by), snapshot.due or "")
    return None


def _forecast(snapshot: ReservoirSnapshot, times: TimeWords) -> Glance:
    """Return when the water may be used, with the interval; or only when it is steady."""
    at, note = moment_of(snapshot.expected_ready_at), snapshot.forecast_note
    kind, _ = expected_now(snapshot, str)
    label = "Expected steady" if kind == STEADINESS else "May be used"
    if at is None:
        return Glance(label, UNKNOWN, note)
    words = moment_words(at, times.now, times.zone)
    if at < times.now:
        return Glance(label, "later than expected", f"it was expected about {words}")
    interval = times.interval(snapshot.expected_ready_low, snapshot.expected_ready_high)
    more = f"80 %: {interval}" if interval else ""
    return Glance(label, f"about {words}", "; ".join(each for each in (more, note) if each))


def _left(snapshot: ReservoirSnapshot) -> Glance | None:
    """Return how much water of the batch is left; None without one."""
    if snapshot.phase not in SALTED:
        return None
    left_l = snapshot.volume_left_l
    if left_l is None:
        return Glance("Left", UNKNOWN)
    return Glance("Left", f"about {left_l:.{1 if left_l < WHOLE_L else 0}f} L")
