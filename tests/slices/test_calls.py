"""How many calls a reading takes, from its row in a recording to what the station makes of it.

Calls are counted and not time: each of them costs about as much on one machine as the next.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from datetime import timedelta
from random import Random

import gsw

from daemon.entries import Entry, Sample
from daemon.mixing.station.station import ReservoirSettings, Station
from daemon.wire.recording import samples
from tests.parts.stories import MORNING
from tests.parts.weights import weights

BLANK_S, WARM_S, COUNTED_S = 200, 1200, 600
MOST_CALLS = 255.0
"""Of functions, Python's own and built in; 348 before they were looked at.

With what the half minutes of the detector take, which are a tenth of it."""


def rows(seconds: int) -> Iterator[str]:
    """A recording at 1 Hz: purified water, salt, and water at rest."""
    dice = Random(3)
    yield "time,conductivity_mS_cm,temperature_C"
    for second in range(seconds):
        salinity = 34.0 * (1.0 - 2.718281828 ** (-max(0, second - BLANK_S) / 100.0))
        level = float(gsw.C_from_SP(salinity, 24.0, 0.0)) if salinity > 0.1 else 0.004
        wall = (MORNING + timedelta(seconds=second)).isoformat()
        conductivity = level * (1.0 + dice.gauss(0.0, 1.5e-4))
        yield f"{wall},{conductivity:.4f},{24.0 + dice.gauss(0.0, 0.006):.2f}"


def test_a_reading_takes_no_more_calls_than_it_does() -> None:
    """Of ten minutes at one reading a second while salt goes into solution, row by row."""
    station = Station({"mix-1": ReservoirSettings("mix-1")}, weights())
    recorded = samples(rows(WARM_S + COUNTED_S), "mix-1", "ct-1")

    def play(count: int) -> list[Entry]:
        played = (next(recorded) for _ in range(count))
        return [e for each in played if isinstance(each, Sample) for e in station.advance(each)]

    assert len(play(WARM_S)) >= WARM_S
    calls = 0

    def count(_frame: object, event: str, _of: object) -> None:
        nonlocal calls
        calls += event in ("call", "c_call")

    sys.setprofile(count)
    try:
        entries = play(COUNTED_S)
    finally:
        sys.setprofile(None)

    assert len(entries) >= COUNTED_S
    assert 100.0 < calls / COUNTED_S <= MOST_CALLS
