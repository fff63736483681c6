"""Alarms as the whole station raises them: of itself, of silence, and withheld by design."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import timedelta

import pytest

from daemon.entries import (
    JSON,
    Command,
    Entry,
    Event,
    Follower,
    Instant,
    Kind,
    Sample,
    Surroundings,
)
from daemon.journal.checkpoint import dump, restore
from daemon.mixing.station.station import ReservoirSettings, Station
from tests.parts.events import facts_in
from tests.parts.people import Bench, a_batch
from tests.parts.snapshots import snapshot_in
from tests.parts.stories import BATCH, MORNING, alarms, mixed, of
from tests.parts.weights import weights

GIGABYTE = 1_000_000_000
MINUTE_S = 60.0


@dataclass
class House:
    """A station of so many reservoirs, each with one probe, and the minutes that pass there."""

    names: tuple[str, ...] = ("mix-1",)
    station: Station = field(init=False)
    t_s: float = 1000.0
    entries: list[Entry] = field(default_factory=list)

    def __post_init__(self) -> None:
        """Build it."""
        self.station = Station(
            {name: ReservoirSettings(name, BATCH) for name in self.names}, weights()
        )

    @property
    def at(self) -> Instant:
        """Now."""
        return Instant(MORNING + timedelta(seconds=self.t_s - 1000.0), self.t_s, "boot-1")

    def passes(self, minutes: float = 1.0, fault: str = "", *, synced: bool = True) -> House:
        """Let each probe speak every ten seconds."""
        for _ in range(round(minutes * 6)):
            self.t_s += 10.0
            for name in self.names:
                value = None if fault else 0.004
                at = replace(self.at, synced=synced)
                said = self.station.advance(Sample(name, "ct-1", at, value, 24.0, fault=fault))
                self.entries += said
        return self

    def sees(
        self, free: int = 9 * GIGABYTE, lost: int = 0, *followers: Follower, after_s: float = 60.0
    ) -> list[tuple[str, str]]:
        """Look around a minute later; return what became of alarms."""
        self.t_s += after_s
        said = self.station.advance(Surroundings(self.at, free, lost, followers))
        self.entries += said
        return alarms(said)

    def own(self) -> set[str]:
        """The station's own alarms that stand, as its picture tells."""
        found = snapshot_in(self.station, "", self.at)["alarms"]
        assert isinstance(found, list)
        return {str(name) for name in found}


# --- of the station itself ----------------------------------------------------------------------


def test_a_card_that_is_nearly_full_is_an_alarm_of_the_station() -> None:
    """It names how much is left, belongs to no reservoir, and goes when there is room again."""
    house = House().passes()

    assert [("storage-low", "raised")] == house.sees(free=120_000_000)
    (raised,) = of(house.entries, Kind.ALARM)
    assert ("", "") == (raised.reservoir, raised.batch)
    assert "120 MB are free" in str(facts_in(raised)["why"])
    assert ("medium", True, "unacknowledged") == tuple(
        facts_in(raised)[name] for name in ("priority", "standing", "state")
    )
    assert {"storage-low"} == house.own()
    assert [] == house.sees()
    assert [("storage-low", "cleared")] == house.sees()


def test_entries_that_could_not_be_written_are_reported_for_ten_minutes() -> None:
    """Though there is room again."""
    house = House().passes()

    assert [("storage-low", "raised")] == house.sees(lost=3)
    later = [change for _ in range(9) for change in house.sees(lost=3)]
    assert "storage-low" not in dict(later)
    assert ("storage-low", "cleared") in [change for _ in range(4) for change in house.sees(lost=3)]


def test_a_count_of_losses_that_starts_over_is_no_loss() -> None:
    """Each process counts from nothing."""
    house = House().passes()
    house.sees(lost=5)
    house.station.resume(house.at)
    for _ in range(20):
        house.sees(lost=0)

    assert set() == house.own()


def test_a_publisher_that_is_behind_is_named_with_what_it_fails_with() -> None:
    """One that is only busy is not."""
    house = House().passes()
    busy = Follower("mqtt", 900, 20.0)

    assert [] == house.sees(9 * GIGABYTE, 0, busy)
    late = Follower("influx", 4200, 1500.0, "HTTP 401: the token is refused")
    assert [("publishing-delayed", "raised")] == house.sees(9 * GIGABYTE, 0, busy, late)
    (raised,) = of(house.entries, Kind.ALARM)
    assert (
        "influx is 25 min behind, 4200 entries wait: HTTP 401: the token is refused"
        == facts_in(raised)["why"]
    )


def test_the_last_look_counts_until_the_next_look_and_over_a_restart() -> None:
    """Readings in between clear nothing."""
    house = House().passes()
    house.sees(free=120_000_000)
    state = restore(dump(house.station.state))
    house.station = Station({"mix-1": ReservoirSettings("mix-1", BATCH)}, weights(), state)
    house.passes(10)

    assert {"storage-low"} == house.own()


def test_a_clock_that_nothing_sets_is_reported_after_ten_minutes() -> None:
    """Not at each start, where it takes a while; and it goes once it is set."""
    house = House().passes(9, synced=False)
    assert [] == alarms(house.entries)
    house.passes(3, synced=False)
    assert [("clock-unsynchronised", "raised")] == alarms(house.entries)
    house.passes(3)
    assert ("clock-unsynchronised", "cleared") == alarms(house.entries)[-1]


def test_a_restart_that_was_unexpected_waits_for_a_person() -> None:
    """It goes by itself after ten minutes, and is unacknowledged until it is seen."""
    house = House().passes()
    house.entries += house.station.resume(house.at, unexpected=True)
    assert {"measuring-restarted"} == house.own()
    house.passes(12)

    assert [("measuring-restarted", "raised"), ("measuring-restarted", "cleared")] == alarms(
        house.entries
    )
    details = snapshot_in(house.station, "", house.at)["alarm_details"]
    assert isinstance(details, dict)
    assert "returned-unacknowledged" in str(details["measuring-restarted"])


def test_another_restart_is_corrected_although_the_first_was_acknowledged() -> None:
    """Whoever acknowledged the one has not seen the other."""
    house = House().passes()
    house.station.resume(house.at, unexpected=True)
    command = Command(
        "c-1", house.at, "kim", "cli", "alarm.acknowledge", "", {"name": "measuring-restarted"}
    )
    house.station.advance(command)
    house.passes(2)
    said = house.station.resume(house.at, unexpected=True)

    assert [("measuring-restarted", "cleared"), ("measuring-restarted", "raised")] == alarms(said)


def test_a_restart_that_was_commanded_is_no_alarm_but_the_third_in_an_hour_is() -> None:
    """A version may be being installed; a service that is started again and again is ill."""
    house = House()
    for count in range(1, 4):
        house.passes(5)
        house.station.resume(house.at)
        assert (count == 3) == (house.own() == {"measuring-restarted"})


# --- what is not heard --------------------------------------------------------------------------


def test_a_probe_of_which_not_even_a_fault_comes_is_reported() -> None:
    """A driver that hangs gives no samples; looking around sees it, and that the probe fails."""
    house = House().passes()
    changes = [(house.t_s, change) for _ in range(10) for change in house.sees()]

    assert "failure" == snapshot_in(house.station, "mix-1", house.at)["probe_health"]
    assert ["reading-overdue"] == [name for _, (name, _) in changes]
    (raised,) = of(house.entries, Kind.ALARM)
    assert "nothing at all has come from ct-1" in str(facts_in(raised)["why"])
    assert "mix-1" == raised.reservoir
    minutes = (raised.at.mono_s - 1060.0) / MINUTE_S
    assert 5.0 <= minutes <= 6.0
    house.passes(2)
    assert ("reading-overdue", "cleared") == alarms(house.entries)[-1]
    assert "good" == snapshot_in(house.station, "mix-1", house.at)["probe_health"]


def test_many_alarms_at_once_are_a_flood() -> None:
    """One event says so, and one that it is over; all alarms are there beside it."""
    house = House(tuple(f"mix-{n}" for n in range(12))).passes()
    house.passes(3, fault="the hub lost its power").passes(14)
    told = [e for e in of(house.entries, Kind.DEVICE) if "flood" in str(facts_in(e)["state"])]

    assert ["alarm flood began", "alarm flood ended"] == [facts_in(each)["state"] for each in told]
    assert [""] * 2 == [each.reservoir for each in told]
    assert 12 == facts_in(told[1])["alarms"]
    assert 12 == len([each for each in alarms(house.entries) if each[1] == "raised"])
    assert False is snapshot_in(house.station, "", house.at)["alarm_flood"]


# --- withheld by design -------------------------------------------------------------------------


def test_no_alarm_of_the_water_stands_while_its_probe_is_being_calibrated() -> None:
    """It comes back when the probe is in the water and the water is still wrong."""
    bench = a_batch(31.5)
    assert {"batch-off-target"} == bench.alarms
    assert not bench.answer("calibrate.start", references="air").startswith("-")
    bench.story.still(1)
    bench.run()
    assert set() == bench.alarms
    assert "calibration" in str(bench.snapshot["alarm_details"])
    bench.answer("calibrate.abort")
    bench.answer("calibrate.confirm")
    bench.story.still(1)
    said = bench.run()

    assert [("batch-off-target", "unsuppressed")] == alarms(said)
    assert {"batch-off-target"} == bench.alarms


def test_a_probe_that_is_silent_is_one_alarm_and_not_two() -> None:
    """What follows from it is suppressed while it stands; shelved, it speaks for nothing."""
    bench = Bench(mixed(minutes=10).silence(8))
    bench.run()
    assert {"probe-fault"} == bench.alarms
    bench.send("alarm.shelve", name="probe-fault", hours=1, reason="a new cable is ordered")
    bench.story.silence(1)
    bench.run()

    assert {"reading-overdue"} == bench.alarms


# --- restarts and clocks ------------------------------------------------------------------------


@pytest.mark.parametrize("at", range(40, 190, 23))
def test_a_restart_changes_nothing_in_the_life_of_alarms(at: int) -> None:
    """Wherever it falls: shelved, counted, waiting or active, all goes on as without it."""

    def lived(restart: int | None) -> list[Entry]:
        settings = {"mix-1": ReservoirSettings("mix-1", BATCH)}
        station, entries = Station(settings, weights()), list[Entry]()
        for n, sample in enumerate(mixed(minutes=5).silence(6).still(3).samples):
            if n == restart:
                station = Station(settings, weights(), restore(dump(station.state)))
            entries += station.advance(sample)
            if n == 120:
                facts: dict[str, JSON] = {"name": "probe-fault", "hours": 0.02, "reason": "known"}
                entries += station.advance(
                    Command("c-1", sample.at, "kim", "cli", "alarm.shelve", "mix-1", facts)
                )
        return [each for each in entries if isinstance(each, Event)]

    assert lived(None) == lived(at)
    assert [
        ("probe-fault", "raised"),
        ("probe-fault", "shelved"),
        ("probe-fault", "unshelved"),
        ("reading-overdue", "suppressed"),
        ("probe-fault", "cleared"),
        ("reading-overdue", "unsuppressed"),
    ] == alarms([*lived(at)])


def test_a_shelf_ends_when_its_hours_are_over_whatever_the_wall_clock_says() -> None:
    """A clock that is set back by a day, or ahead, moves nothing."""
    for jump_h in (-24.0, 24.0):
        bench = Bench(mixed(31.5))
        bench.run()
        bench.send("alarm.shelve", name="batch-off-target", hours=1.0, reason="known")
        bench.story.wall += timedelta(hours=jump_h)
        bench.story.still(58)
        bench.run()
        assert set() == bench.alarms
        bench.story.still(3)
        bench.run()
        assert {"batch-off-target"} == bench.alarms


def test_a_shelf_ends_over_a_reboot_too() -> None:
    """The time that the machine was off counts, where the clock was right before and after."""
    bench = Bench(mixed(31.5))
    bench.run()
    bench.send("alarm.shelve", name="batch-off-target", hours=2.0, reason="known")
    bench.story.away(3.0, boot="boot-2").still(2)
    bench.run()

    assert {"batch-off-target"} == bench.alarms
