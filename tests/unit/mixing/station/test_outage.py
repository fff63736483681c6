"""A power cut in the middle of a batch, under clocks that say nothing of how long it took."""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

import gsw
import numpy as np
import pytest

from daemon.entries import Event, Instant, Kind, Sample
from daemon.mixing.station.station import ReservoirSettings, Station
from daemon.wire.recording import samples
from tests.parts.weights import weights

START = datetime(2026, 3, 2, 8, tzinfo=UTC)
POUR_S, FINAL, TAU_S = 600.0, 33.5, 240.0
NEAR_S = POUR_S + TAU_S * math.log(FINAL / 0.1)
EVERY_S, HOURS = 10.0, 1.25
CUTS = ((750.0, 3600.0), (1000.0, 600.0), (1100.0, 1200.0), (2700.0, 1800.0))
"""When the power was cut, and for how long, s; the last after the end of mixing."""
CLOCKS = {
    "1970": datetime(1970, 1, 1, 0, 0, 20, tzinfo=UTC),
    "2000": datetime(2000, 1, 1, 0, 0, 20, tzinfo=UTC),
    "2050": datetime(2050, 6, 1, tzinfo=UTC),
    "half an hour behind": START - timedelta(minutes=30),
}


def course(cut_s: float, away_s: float, seed: int = 1) -> Iterator[tuple[float, float, float]]:
    """Yield time, conductivity and temperature of a clean batch; none while the power is off."""
    rng = np.random.default_rng(seed)
    for t_s in np.arange(0.0, cut_s + away_s + HOURS * 3600.0, EVERY_S).tolist():
        warm = 22.3 + 0.004 * float(rng.normal())
        salinity = FINAL * (1.0 - math.exp(-max(t_s - POUR_S, 0.0) / TAU_S)) + 0.05
        noise = 0.015 * float(rng.normal())
        if not cut_s <= t_s < cut_s + away_s:
            yield t_s, max(float(gsw.C_from_SP(salinity, warm, 0.0)) + noise, 0.0), warm


def calls_min(station: Station, given: list[tuple[float, Sample]]) -> list[float]:
    """Return when the station said `stabilised`, minutes since salinity was near its end."""
    return [
        (t_s - NEAR_S) / 60.0
        for t_s, sample in given
        for entry in station.advance(sample)
        if isinstance(entry, Event) and entry.kind is Kind.STABILISED
    ]


def a_station() -> Station:
    """A station with one reservoir."""
    return Station({"r": ReservoirSettings("r")}, weights())


def recorded(cut_s: float, away_s: float, clock: datetime) -> list[tuple[float, Sample]]:
    """Samples of a recording whose clock says `clock` when the power is back, with true times."""
    lines, true_s = ["time,conductivity_mS_cm,temperature_C\n"], []
    for t_s, conductivity, warm in course(cut_s, away_s):
        since_s = t_s - cut_s - away_s
        wall = START + timedelta(seconds=t_s) if t_s < cut_s else clock + timedelta(seconds=since_s)
        lines.append(f"{wall.isoformat()},{conductivity:.3f},{warm:.3f}\n")
        true_s.append(t_s)
    rows = zip(true_s, samples(lines, "r", "ct-1"), strict=True)
    return [(t_s, row) for t_s, row in rows if isinstance(row, Sample)]


def restarted(cut_s: float, away_s: float, synced_after_s: float) -> list[tuple[float, Sample]]:
    """Samples of a machine that starts again with a wrong clock, its monotonic clock at zero."""
    given = []
    for t_s, conductivity, warm in course(cut_s, away_s):
        since_s = t_s - cut_s - away_s
        at = Instant(START + timedelta(seconds=t_s), t_s, "a")
        if since_s >= 0.0:
            synced = since_s >= synced_after_s
            wall = at.wall if synced else CLOCKS["1970"] + timedelta(seconds=since_s)
            at = Instant(wall, since_s + 30.0, "b", synced)
        given.append((t_s, Sample("r", "ct-1", at, round(conductivity, 3), round(warm, 3))))
    return given


def back_min(cut_s: float, away_s: float) -> float:
    """Return when the power is back, minutes since salinity was near its end."""
    return (cut_s + away_s - NEAR_S) / 60.0


@pytest.mark.parametrize(
    "cut_s, away_s, clock",
    [(*cut, "1970") for cut in CUTS] + [(*CUTS[1], clock) for clock in CLOCKS if clock != "1970"],
)
def test_a_recording_with_a_power_cut_is_called_whatever_its_clock_says(
    cut_s: float, away_s: float, clock: str
) -> None:
    """Once, when it is over and within 40 min of when it can be seen; not in the minute of return.

    Before an outage counted as one, three of these four cuts were never called under any clock.
    """
    first, *more = calls_min(a_station(), recorded(cut_s, away_s, CLOCKS[clock]))

    assert [] == more
    assert 0.0 < first < max(back_min(cut_s, away_s), 0.0) + 40.0


@pytest.mark.parametrize(
    "cut_s, away_s, synced_after_s",
    [(*cut, math.inf) for cut in CUTS] + [(*CUTS[1], after_s) for after_s in (0.0, 60.0, 1800.0)],
)
def test_a_batch_is_called_after_a_power_cut_however_late_the_clock_is_set(
    cut_s: float, away_s: float, synced_after_s: float
) -> None:
    """A station that starts with a clock decades behind does not wait for a time service."""
    first, *more = calls_min(a_station(), restarted(cut_s, away_s, synced_after_s))

    assert [] == more
    assert 0.0 < first < max(back_min(cut_s, away_s), 0.0) + 40.0


def test_salt_that_still_dissolves_after_a_power_cut_is_not_called() -> None:
    """What counts for an outage is no sign of rest: mixing goes on for an hour after it."""
    given = [
        (
            t_s,
            Sample("r", "ct-1", Instant(START, t_s if t_s < 900.0 else t_s - 900.0, boot, synced),
                   round(float(gsw.C_from_SP(10.0 + t_s / 400.0, 22.3, 0.0))
                         + 0.01 * math.sin(1.7 * t_s * t_s), 3), 22.3),
        )
        for t_s in np.arange(0.0, 3600.0, EVERY_S).tolist()
        for boot, synced in [("a", True) if t_s < 900.0 else ("b", False)]
    ]  # fmt: skip

    assert [] == calls_min(a_station(), given)
