"""The present state of a reservoir, as the outside sees it."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from daemon.entries import Instant
from daemon.journal.shapes import to_object
from daemon.mixing.batch.due_times import DueBatch, MixingTimes
from daemon.mixing.seawater.gravity_25 import GRAVITY_25_25, gravity
from daemon.mixing.seawater.properties import specific_gravity
from daemon.mixing.station.last_reading import iso
from daemon.mixing.station.present_state import of_reservoir
from daemon.mixing.station.station_state import ReservoirSettings, ReservoirState
from tests.parts.people import a_batch

# A Monday.
NINE = Instant(datetime(2026, 3, 2, 9, tzinfo=UTC), 0.0)


def start_by(
    due: tuple[DueBatch, ...], zone: str = "UTC", minutes: list[float] | None = None
) -> object:
    """What the picture says of when to start."""
    settings = ReservoirSettings("mix-1", due=due, zone=ZoneInfo(zone))
    state = ReservoirState(times=MixingTimes(minutes or []))
    return of_reservoir(state, None, settings, NINE, 0.0).start_by


@pytest.mark.parametrize(
    "due, zone, wanted",
    [
        ((DueBatch(5, 10, 0, 60.0),), "UTC", "2026-03-07T09:15:00.000Z"),
        ((DueBatch(5, 10, 0, 60.0),), "Europe/Lisbon", "2026-03-07T09:15:00.000Z"),
        ((DueBatch(5, 10, 0, 60.0),), "Asia/Tokyo", "2026-03-07T00:15:00.000Z"),
        ((DueBatch(5, 10, 0, 60.0), DueBatch(2, 18, 30, 60.0)), "UTC", "2026-03-04T17:45:00.000Z"),
        ((), "UTC", None),
    ],
)
def test_it_says_when_to_start_for_the_next_that_is_due(
    due: tuple[DueBatch, ...], zone: str, wanted: str | None
) -> None:
    """Half an hour and a margin of a quarter before, of the local clock; the earliest of all."""
    assert wanted == start_by(due, zone)


def test_when_to_start_follows_what_mixing_takes_here() -> None:
    """A vessel that takes two hours is to be started two hours and a quarter before."""
    assert "2026-03-02T15:45:00.000Z" == start_by(
        (DueBatch(None, 18, 0, 60.0),), minutes=[120.0, 120.0, 120.0]
    )


def test_nothing_known_is_published_as_nothing() -> None:
    """Names without values, so that a dashboard knows them from the first."""
    found = to_object(of_reservoir(ReservoirState(), None, None, NINE, 0.0))

    assert ("idle", None, None, [], 9) == (
        found["phase"],
        found["batch"],
        found["salinity"],
        found["alarms"],
        found["flag"],
    )
    assert "start_by" not in found


def test_advice_comes_with_its_numbers() -> None:
    """Grams or litres for an automation, and none once the advice is gone."""
    bench = a_batch(31.0)
    salt_g = bench.snapshot["advice_salt_g"]
    assert isinstance(salt_g, float)
    told = re.search(r"add (\d+) g of salt mix .* the rest, (\d+) g in all", bench.advice)
    assert told is not None
    assert int(told[1]) == pytest.approx(0.8 * salt_g, abs=0.6)
    assert int(told[2]) == pytest.approx(salt_g, abs=0.6)
    assert bench.snapshot["advice_water_l"] is None
    bench.answer("batch.discard")

    assert (None, None, None) == (
        bench.snapshot["advice"],
        bench.snapshot["advice_salt_g"],
        bench.snapshot["batch"],
    )


def test_it_is_json() -> None:
    """At any time of a batch's life."""
    for salinity in (34.0, 33.05, 31.0):
        found = a_batch(salinity).snapshot
        assert found == json.loads(json.dumps(found, allow_nan=False))


def test_moments_are_iso_in_utc_to_the_millisecond() -> None:
    """And may lie some seconds later."""
    assert "2026-03-02T09:00:00.000Z" == iso(NINE)
    assert "2026-03-02T09:01:30.250Z" == iso(NINE, 90.25)


def test_the_snapshot_s_gravity_is_that_of_seawater() -> None:
    """The polynomial stays within 4e-6 of TEOS-10 over the whole scale."""
    worst = max(
        abs((gravity(tenths / 10.0) or 0.0) - specific_gravity(tenths / 10.0, 25.0, 25.0))
        for tenths in range(421)
    )

    assert worst < 4e-6
    assert gravity(None) is None
    assert gravity(0.0) == GRAVITY_25_25[0]
