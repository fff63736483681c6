"""A simulated fleet from beginning to end: connect, publish, count, take everything back."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from random import Random
from resource import RLIMIT_NOFILE, getrlimit, setrlimit

from daemon.broker import of_settings
from daemon.config import Config
from daemon.errors import BrinewrightError, ExitCode
from daemon.fleet.drive import Drive
from daemon.fleet.figures import FleetFigures, of_sinks
from daemon.fleet.observer import Observer
from daemon.fleet.outlet import Outlet
from daemon.fleet.retained_topics import retained_topics, withdraw
from daemon.fleet.simulated_station import Part, SimulatedStation
from daemon.fleet.story import Step
from daemon.publishing.influx.live_chance import LiveChance
from daemon.publishing.influx.publisher import InfluxSink
from daemon.publishing.mqtt.hub.announcer import Announcer
from daemon.publishing.mqtt.hub.configured_devices import configured_devices
from daemon.publishing.mqtt.hub.feed import HubFeed
from daemon.publishing.mqtt.hub.hub_parts import HubParts
from daemon.publishing.mqtt.publisher import MqttSink
from daemon.publishing.sink import Backoff, SinkError

CONNECTS_PER_S = 50.0
"""So fast stations begin, as after an outage of the broker: our own choice."""
THREADS = 8
"""Of each kind of sink."""
FILES_PER_STATION = 4


class FleetError(BrinewrightError, ValueError):
    """A fleet cannot be simulated as it was asked for; the sentence says why."""

    exit_code = ExitCode.USAGE


@dataclass(frozen=True, slots=True)
class Plan:
    """What is to be simulated.

    Attributes:
        stations: Configuration of each.
        stories: What their reservoirs play.
        observer: Configuration whose account may read everything.
        period_s: From one reading of a reservoir to the next, s.
        seconds: So long they publish.
        entries: So many entries end it earlier; 0 for no limit.
        seed: Of what is left to chance.
        database: Whether the database is written to as well.
        patience_s: So long what waits at the end is still delivered, and then awaited at the
            subscriber.
    """

    stations: Sequence[Config]
    stories: Sequence[Sequence[Step]]
    observer: Config
    period_s: float
    seconds: float
    entries: int
    seed: int
    database: bool
    patience_s: float = 20.0


def simulate(plan: Plan, say: Callable[[str], None]) -> FleetFigures:
    """Publish as the plan says and return what came of it; the broker is left as it was.

    Args:
        plan: What is to be simulated.
        say: Takes a sentence about how far it is.

    Raises:
        FleetError: A station of that name is online.
        ObserverError: The broker cannot be observed.
        SinkError: A station's secrets cannot be used.
    """
    _allow_files(len(plan.stations) * FILES_PER_STATION)
    observer = _observer(plan.observer)
    observer.open()
    try:
        if online := observer.online([each.station.name for each in plan.stations]):
            raise FleetError(
                f"a station {online[0]} is online at that broker; simulate under names that no"
                " station has"
            )
        return _publish(plan, observer, say)
    finally:
        observer.close()


def _publish(plan: Plan, observer: Observer, say: Callable[[str], None]) -> FleetFigures:
    rng, cpu_s, began_s = Random(plan.seed), time.process_time(), time.monotonic()  # noqa: S311 - seeded
    stations = _stations(plan, rng, began_s + 1.0)
    # A station that stopped half-way would leave its state at the broker for ever.
    outlets = [_mqtt_outlet(each, rng) for each in stations]
    written = [_influx_outlet(each, rng) for each in stations] if plan.database else []
    drives = [Drive(each, THREADS) for each in (outlets, written) if each]
    begin_s = stations[-1].begins_s + plan.period_s
    reservoirs = sum(len(each.parts) for each in stations)
    per_s = reservoirs / plan.period_s
    try:
        for each in drives:
            each.start()
        time.sleep(max(0.0, begin_s - time.monotonic()))
        if any(each.acknowledged for each in outlets):
            observer.check()
        say(f"{len(stations)} stations publish {per_s:g} readings a second")
        end_s = _await_end(plan, stations, begin_s)
        for station in stations:
            station.end(end_s)
        for each in drives:
            each.finish(plan.patience_s)
        made = {each.station.name: each.acknowledged for each in outlets}
        lost = _await_last(observer, made, plan.patience_s)
    finally:
        for each in drives:
            each.stop()
        for outlet in (*outlets, *written):
            outlet.sink.close()
        _take_back(stations, say)
    return FleetFigures(
        stations=len(stations),
        seconds=end_s - stations[0].begins_s,
        stated_per_s=per_s,
        entries=sum(each.made for each in stations),
        readings=sum(each.readings for each in stations),
        sinks=of_sinks([*outlets, *written]),
        lost=lost,
        doubled=observer.doubled,
        driver_late_s=max(each.late_s for each in drives),
        driver_cpu_s=time.process_time() - cpu_s,
    )


def _stations(plan: Plan, rng: Random, first_s: float) -> list[SimulatedStation]:
    ramp_s = max(plan.period_s, len(plan.stations) / CONNECTS_PER_S)
    wall, now_s = datetime.now(UTC), time.monotonic()
    made = []
    for number, config in enumerate(plan.stations):
        begins_s = first_s + ramp_s * number / len(plan.stations)
        parts = [
            Part(each, steps := rng.choice(plan.stories), rng.randrange(len(steps)))
            for each in config.reservoirs
        ]
        at = datetime.fromtimestamp(wall.timestamp() + begins_s - now_s, UTC)
        made.append(SimulatedStation(config, parts, plan.period_s, begins_s, at))
    return made


def _mqtt_outlet(station: SimulatedStation, rng: Random) -> Outlet:
    config, name = station.config, station.name
    if config.mqtt is None:
        raise FleetError(f"the configuration of {name} has no section [mqtt]")
    names = tuple(each.name for each in config.reservoirs)
    hubs = HubParts()
    if config.mqtt.discovery:
        devices = configured_devices(config, config.mqtt)
        announcer = Announcer(name, config.mqtt.discovery_prefix, devices, Random(rng.random()))  # noqa: S311 - seeded
        hubs = HubParts(announcer, HubFeed(name, names, lambda: datetime.now(UTC)))
    sink = MqttSink(config.mqtt, name, station, reservoirs=names, hubs=hubs)
    return Outlet(station, sink, Backoff(Random(rng.random())))  # noqa: S311 - seeded


def _influx_outlet(station: SimulatedStation, rng: Random) -> Outlet:
    config, name = station.config, station.name
    if config.influx is None:
        raise FleetError(f"the configuration of {name} has no section [influx]")
    sink = InfluxSink(config.influx, name, live=LiveChance(name, station))
    return Outlet(station, sink, Backoff(Random(rng.random())))  # noqa: S311 - seeded


def _observer(config: Config) -> Observer:
    if config.mqtt is None:
        raise FleetError("the configuration of the observer has no section [mqtt]")
    return Observer(of_settings(config.mqtt, "", "mqtt."))


def _await_end(plan: Plan, stations: Sequence[SimulatedStation], begin_s: float) -> float:
    """Return the moment when it ends: by time, or by how many entries were made."""
    end_s = begin_s + plan.seconds
    while (now_s := time.monotonic()) < end_s:
        if plan.entries and sum(each.made for each in stations) >= plan.entries:
            return now_s
        time.sleep(min(0.1, end_s - now_s))
    return end_s


def _await_last(observer: Observer, made: dict[str, int], patience_s: float) -> int:
    """Return what the subscriber still lacks once it has had time to get everything."""
    deadline_s = time.monotonic() + patience_s
    while (lost := observer.lost(made)) and time.monotonic() < deadline_s:
        time.sleep(0.1)
    return lost


def _take_back(stations: Sequence[SimulatedStation], say: Callable[[str], None]) -> None:
    """Have the broker retain nothing of them; say of which it does all the same."""
    left = []
    for each in stations:
        try:
            withdraw(each.config, retained_topics(each))
        except SinkError as exc:
            left.append(f"{each.name}: {exc}")
    if left:
        say(f"the broker still retains what {len(left)} stations published; {left[0]}")


def _allow_files(count: int) -> None:
    """Raise the number of files that may be open, as far as the system lets us."""
    soft, hard = getrlimit(RLIMIT_NOFILE)
    if soft < count:
        setrlimit(RLIMIT_NOFILE, (min(count, hard) if hard > 0 else count, hard))
