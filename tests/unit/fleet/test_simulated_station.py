"""A simulated station publishes what the service makes of readings, dated now, at its pace."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random

import pytest

from daemon.config import Config, parse
from daemon.entries import Event, Flag, Kind, Phase, Reading
from daemon.errors import BrinewrightError
from daemon.fleet.configurations import named, provisioned
from daemon.fleet.figures import FleetFigures, of_sinks
from daemon.fleet.outlet import Outlet
from daemon.fleet.simulated_station import Part, SimulatedStation
from daemon.fleet.simulation import FleetError
from daemon.fleet.story import Step, StoryError, story
from daemon.journal.cursors import Refusal
from daemon.journal.payloads import iso_time
from daemon.journal.reader import Stored
from daemon.mixing.station.snapshot import ReservoirSnapshot, StationSnapshot
from daemon.publishing.sink import Backoff, SinkError
from tests.parts.configurations import RESERVOIR, configuration
from tests.parts.numbered import reading
from tests.services.mqtt_parts import event

WALL = datetime(2026, 3, 2, 8, tzinfo=UTC)
CONFIGURATION = configuration(
    f"""\
{RESERVOIR.replace("mix-1", "mix-2")}
[mqtt]
host = "127.0.0.1"
client_id = "one"
""",
    station='label = "Wing"\n',
)


@pytest.fixture(scope="module")
def config() -> Config:
    """Of a station with two reservoirs."""
    return parse(CONFIGURATION, Path("brinewright.toml"))


def step(number: int, *more: Event) -> Step:
    """A step of a story, by its number."""
    water = ReservoirSnapshot(time="2020-01-01T00:00:00.000Z", phase=Phase.READY, salinity=number)
    return Step((reading(number), *more), water, StationSnapshot("2020-01-01T00:00:00.000Z"))


def station(
    config: Config, steps: Sequence[Step] = (step(1), step(2), step(3))
) -> SimulatedStation:
    """A station whose reservoirs play the same three steps, the second one step further."""
    parts = [Part(each, steps, offset) for offset, each in enumerate(config.reservoirs)]
    return SimulatedStation(config, parts, period_s=2.0, begins_s=100.0, wall=WALL)


class Wall:
    """A sink that fails on demand.

    Attributes:
        came: Numbers of what came, in order.
        faults: How often it fails from now on.
    """

    name = "mqtt"

    def __init__(self) -> None:
        """Take everything."""
        self.came: list[int] = []
        self.faults = 0
        self.refuses: tuple[int, ...] = ()

    def deliver(self, entries: Sequence[Stored]) -> Refusal | None:
        """Take entries, or fail."""
        if self.faults:
            self.faults -= 1
            raise SinkError("nobody listens there")
        self.came += [each.seq for each in entries]
        return Refusal(self.refuses, "no") if self.refuses else None

    def pressing(self) -> bool:
        """Nothing comes in."""
        return False

    def close(self) -> None:
        """Do nothing."""


def test_readings_come_at_the_stated_pace_dated_now(config: Config) -> None:
    """One of each reservoir a period, numbered through, under its own names and times."""
    one = station(config)
    waiting = one.follower()
    one.advance(103.9)
    entries = [each.stored for each in waiting]

    assert [1, 2, 3, 4] == [each.seq for each in entries]
    assert ["mix-1", "mix-2"] * 2 == [each.entry.reservoir for each in entries]
    assert [WALL, WALL, *[WALL + timedelta(seconds=2)] * 2] == [
        each.entry.at.wall for each in entries
    ]
    assert [100.0, 100.0, 102.0, 102.0] == [each.at_s for each in waiting]


def test_the_story_begins_again_and_the_numbers_go_on(config: Config) -> None:
    """A long run has no end of its story, and no entry comes twice under one number."""
    one = station(config)
    waiting = one.follower()
    one.advance(120.0)
    seqs = [each.stored.seq for each in waiting]

    assert list(range(1, 23)) == seqs


def test_the_present_state_is_that_of_the_last_step(config: Config) -> None:
    """Of each reservoir where its story is, dated by the last reading; none before any."""
    one = station(config)
    assert ({}, None) == (one.snapshots(), one.station_snapshot())
    one.advance(102.5)
    found = one.snapshots()

    assert {"mix-1": 2, "mix-2": 3} == {name: each.salinity for name, each in found.items()}
    assert {iso_time(WALL + timedelta(seconds=2))} == {each.time for each in found.values()}


def test_alarms_are_given_by_their_newest_change(config: Config) -> None:
    """As the journal gives them: after a number, one for each alarm, in order."""
    raised = event(1, Kind.ALARM, name="salt-low", what="raised", state="unacknowledged")
    one = station(config, [step(1, raised), step(2), step(3, raised)])
    one.advance(104.0)
    found = one.alarms()

    assert {("mix-1", "salt-low"), ("mix-2", "salt-low")} == {
        (each.reservoir, "salt-low") for _, each in found
    }
    assert sorted(seq for seq, _ in found) == [seq for seq, _ in found]
    assert [] == one.alarms(found[-1][0])


def test_nothing_is_made_after_the_end(config: Config) -> None:
    """What was due before it is made, though nobody came in time."""
    one = station(config)
    waiting = one.follower()
    one.end(104.0)
    one.advance(1000.0)

    assert 6 == len(waiting) == one.made


def test_what_is_not_acknowledged_comes_again_and_its_lag_counts(config: Config) -> None:
    """A failure keeps all that waits; the next try has it, late by as much."""
    sink, now = Wall(), 100.0
    outlet = Outlet(station(config), sink, Backoff(Random(1)))
    sink.faults = 1
    again_s = outlet.deliver(lambda: now)
    assert (2, 0, 1, "nobody listens there") == (
        outlet.waiting, outlet.acknowledged, outlet.failures, outlet.why,
    )  # fmt: skip
    assert 100.5 <= again_s <= 101.0
    next_s = outlet.deliver(lambda: 101.0)

    assert ([1, 2], 0, 2, 102.0) == (sink.came, outlet.waiting, outlet.acknowledged, next_s)
    assert [1.0, 1.0] == list(outlet.lags_s)


def test_two_sinks_of_a_station_get_the_same_entries(config: Config) -> None:
    """Whichever comes first makes them; none is made twice."""
    one, sinks = station(config), [Wall(), Wall()]
    outlets = [Outlet(one, sink, Backoff(Random(1))) for sink in sinks]
    outlets[0].deliver(lambda: 100.0)
    outlets[1].deliver(lambda: 102.0)
    outlets[0].deliver(lambda: 102.0)

    assert [1, 2, 3, 4] == sinks[0].came == sinks[1].came


def test_the_figures_say_what_waits_is_refused_and_how_late(config: Config) -> None:
    """And that a fleet of which anything is unknown, waits or is refused was not good."""
    sink = Wall()
    outlet = Outlet(station(config), sink, Backoff(Random(1)))
    sink.refuses = (2,)
    outlet.deliver(lambda: 101.0)
    outlet.station.advance(102.0)
    (found,) = of_sinks([outlet])
    whole = FleetFigures(1, 2.0, 1.0, 4, 4, (found,), 0, 0, 0.0, 0.1)
    fine = replace(found, waiting=0, refused=0)

    assert (4, 2, 2, 1) == (found.due, found.acknowledged, found.waiting, found.refused)
    assert (1.0, 1.0) == (found.lag_median_s, found.lag_longest_s)
    assert not whole.good
    assert replace(whole, sinks=(fine,)).good
    assert not replace(whole, sinks=(fine,), lost=None).good
    assert not replace(whole, sinks=(fine,), lost=1).good


def test_figures_of_nothing_are_unknown_and_not_zero(config: Config) -> None:
    """Where no entry was acknowledged there is no lag."""
    (found,) = of_sinks([Outlet(station(config), Wall(), Backoff(Random(1)))])

    assert (None, None, None) == (found.lag_median_s, found.lag_p99_s, found.lag_latest_s)


def test_a_recording_becomes_what_the_service_makes_of_it(config: Config, tmp_path: Path) -> None:
    """Readings with salinity and flag, and the snapshot after each."""
    rows = [f"2026-03-02T08:00:{second:02d}Z,52.1,24.5" for second in range(0, 20, 2)]
    path = tmp_path / "recording.csv"
    path.write_text("\n".join(["time,conductivity_mS_cm,temperature_C", *rows, ""]))
    steps = story(path, config)
    readings = [each.entries[0] for each in steps]

    assert 10 == len(steps)
    assert all(isinstance(each, Reading) and each.salinity is not None for each in readings)
    assert {Flag.PASS, Flag.NOT_EVALUATED} >= {steps[-1].reservoir.flag}
    path.write_text("time,conductivity_mS_cm,temperature_C\n")
    with pytest.raises(StoryError, match="no row to play"):
        story(path, config)


def test_made_up_stations_are_known_by_their_names(config: Config) -> None:
    """Each of its own, without the one client id that they could not share."""
    found = named(config, 10)

    assert ["simulated-01", "simulated-10"] == [found[0].station.name, found[-1].station.name]
    assert ["simulated-12"] == [each.station.name for each in named(config, 1, 11)]
    assert {(None, None)} == {
        (each.mqtt and each.mqtt.client_id, each.station.label) for each in found
    }


def test_a_fleet_that_cannot_be_had_is_refused(config: Config, tmp_path: Path) -> None:
    """No broker, no folder, or fewer stations than asked for."""
    with pytest.raises(FleetError, match=r"no section \[mqtt\]"):
        named(config.model_copy(update={"mqtt": None}), 1)
    with pytest.raises(FleetError, match="holds 0 stations"):
        provisioned(tmp_path, None)
    (tmp_path / "north-wing").mkdir()
    (tmp_path / "north-wing/brinewright.toml").write_text(CONFIGURATION)
    with pytest.raises(FleetError, match="holds 1 stations, not 2"):
        provisioned(tmp_path, 2)

    assert issubclass(FleetError, BrinewrightError)
    assert 1 == len(provisioned(tmp_path, None))
    with pytest.raises(FleetError, match="holds 0 stations"):
        provisioned(tmp_path, None, 1)
