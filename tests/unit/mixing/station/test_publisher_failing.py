"""A publisher that has noted down everything and reaches nobody is behind all the same."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from daemon.entries import Follower, Instant, Surroundings
from daemon.mixing.station.host import StationHealth, StationSettings, on_surroundings
from daemon.mixing.station.host import conditions as host_conditions

START = datetime(2026, 3, 3, 12, 0, tzinfo=UTC)
WELL = Follower("notify", 0, 0.0)
ILL = Follower("notify", 0, 0.0, "mailtos on line 3 is not reached")


def live(*minutes: Follower) -> list[str]:
    """What is reported about publishers after each minute, with how they fare in it."""
    health, told = StationHealth(), []
    for minute, follower in enumerate(minutes):
        at = Instant(START + timedelta(minutes=minute), 60.0 * minute, "boot-1")
        on_surroundings(
            health, Surroundings(at, None, 0, (follower,)), StationSettings(), at.mono_s
        )
        told.append(host_conditions(health, at, at.mono_s).get("publishing-delayed", ""))
    return told


def test_one_that_fails_for_longer_than_may_be_is_reported_with_its_reason() -> None:
    """Nothing waits, so age alone would never say it; that it works again ends it."""
    told = live(WELL, *[ILL] * 7, WELL)

    assert [""] * 7 == told[:7]
    assert "notify fails for 6 min: mailtos on line 3 is not reached" == told[7]
    assert "" == told[8]


def test_one_that_fails_now_and_then_is_not() -> None:
    """A minute that works begins the count again."""
    assert [""] * 12 == live(*[ILL, ILL, ILL, WELL] * 3)


def test_one_that_is_behind_is_reported_once() -> None:
    """By its age, though it fails too."""
    ill = Follower("mqtt", 7, 400.0, "no broker")

    assert "mqtt is 7 min behind, 7 entries wait: no broker" == live(*[ill] * 9)[-1]
