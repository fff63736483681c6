"""What a broker and a database need for so many stations, and what of it grows how.

    python -m tests.campaigns.fleet --stations 10,100,500 --minutes 3 --seed 1

Real mosquitto with the configuration of deploy/fleet, a real victoria-metrics, and `brinewright
simulate fleet` with a provisioned account for each station. Processor time, memory and bytes are
taken between two moments while all publish; the database's disk once it has written down and
merged. Ends with 1 when an entry was lost, came to no database, or still waits.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
import urllib.parse
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, fields
from math import isnan
from pathlib import Path
from threading import Event
from typing import Any

import numpy as np
from paho.mqtt.client import Client, MQTTMessage, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion

from tests.conftest import Broker, wait_until
from tests.parts.fleet_scene import READER, READER_WORD, make_scene
from tests.services.influx_parts import Metrics, fetch, metrics

DAY_S = 86_400.0
TICKS_PER_S = os.sysconf("SC_CLK_TCK")
RECEIVED = "bytes/received"
SHARE = 250
"""Stations of one driver."""


@dataclass(frozen=True, slots=True)
class Moment:
    """What broker and database have used up to one moment.

    Attributes:
        at_s: Monotonic time, s.
        broker_cpu_s: Processor time of the broker, s.
        broker_mib: Its resident memory.
        database_cpu_s: Processor time of the database, s.
        database_mib: Its resident memory.
        received: Bytes that the broker received.
        rows: Values that the database was given.
    """

    at_s: float
    broker_cpu_s: float
    broker_mib: float
    database_cpu_s: float
    database_mib: float
    received: float
    rows: float


@dataclass(frozen=True, slots=True)
class Need:
    """What so many stations need.

    Attributes:
        stations: How many.
        per_s: Readings a second, of all.
        broker_cpu_percent: Of one core.
        broker_mib: Resident.
        database_cpu_percent: Of one core.
        database_mib: Resident.
        database_disk_mb_day: What its folder would grow by in a day.
        mqtt_mb_station_day: What the broker receives of one station in a day.
        lag_ms: Of an entry to its acknowledgement by the broker, in the middle of the worse driver.
        lag_p99_ms: Of 99 in 100 not longer.
        database_lag_ms: To its acknowledgement by the database, in the middle.
        driver_late_ms: How far the driver itself was behind, at most.
    """

    stations: int
    per_s: float
    broker_cpu_percent: float
    broker_mib: float
    database_cpu_percent: float
    database_mib: float
    database_disk_mb_day: float
    mqtt_mb_station_day: float
    lag_ms: float
    lag_p99_ms: float
    database_lag_ms: float
    driver_late_ms: float


@dataclass(frozen=True, slots=True)
class Outcome:
    """Of one run.

    Attributes:
        need: What it took.
        figures: What `simulate fleet` said.
        stored: Numbers of readings that the database holds. Events are not counted there: it keeps
            times to the millisecond, and two of one kind in one moment are one to it.
        retained_after: Messages that the broker still retains in the end.
    """

    need: Need
    figures: dict[str, Any]
    stored: int
    retained_after: int

    @property
    def good(self) -> bool:
        """Whether everything arrived everywhere, and nothing was left behind."""
        return (
            bool(self.figures["good"])
            and self.stored == self.figures["readings"]
            and self.retained_after == 0
        )


class Reader:
    """Follows what the broker says of itself, and can tell what it retains of stations."""

    def __init__(self, broker: Broker) -> None:
        """Subscribe."""
        self.received = float("nan")
        self.retained: set[str] = set()
        self._client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTv5)
        self._client.username_pw_set(READER, READER_WORD)
        self._client.on_connect = lambda client, *_: client.subscribe(f"$SYS/broker/{RECEIVED}")
        self._client.on_message = self._take
        self._client.connect(broker.host, broker.port)
        self._client.loop_start()
        wait_until(lambda: not isnan(self.received), "the broker's figures")

    def _take(self, _client: Client, _userdata: object, message: MQTTMessage) -> None:
        if message.topic.endswith(RECEIVED):
            self.received = float(message.payload)
        elif message.retain and message.payload:
            self.retained.add(message.topic)

    def look(self) -> set[str]:
        """Topics on which the broker retains something of a station."""
        answered = Event()
        self._client.on_subscribe = lambda *_: answered.set()
        self._client.subscribe("brinewright/#", qos=1)
        # What is retained comes after the answer to the first subscription, and before the second.
        wait_until(answered.is_set, "the broker's answer")
        answered.clear()
        self._client.subscribe("brinewright/none")
        wait_until(answered.is_set, "the broker's answer")
        return self.retained

    def close(self) -> None:
        """Disconnect."""
        self._client.disconnect()
        self._client.loop_stop()


def run(folder: Path, stations: int, words: Sequence[str], settle: Callable[[], None]) -> Outcome:
    """Have so many stations publish, and look at broker and database meanwhile.

    Args:
        folder: Of everything.
        stations: How many.
        words: Further words of `simulate fleet`.
        settle: Returns when the second look is to be taken.
    """
    with ExitStack() as open_now:
        database = open_now.enter_context(metrics(folder))
        scene = make_scene(folder, database.url, "sys_interval 1")
        width = len(str(stations))
        scene.add(*(f"wing-{number:0{width}d}" for number in range(1, stations + 1)))
        scene.broker.start()
        open_now.callback(scene.broker.kill)
        reader = Reader(scene.broker)
        open_now.callback(reader.close)
        before = _disk(database)
        drivers = [scene.simulate(*share, "--database", *words) for share in shares(stations)]
        for driver in drivers:
            open_now.callback(driver.kill)
        first, last = _looks(drivers, scene.broker, database, reader, settle)
        figures = together([json.loads(each.communicate(timeout=900)[0]) for each in drivers])
        _merged(database)
        disk = _disk(database) - before
        stored = len(database.seqs("reading"))
        return Outcome(_need(figures, first, last, disk), figures, stored, len(reader.look()))


def shares(stations: int) -> list[list[str]]:
    """The words of `simulate fleet` for each of the processes that drive so many stations."""
    return [
        ["--skip", str(first), "--stations", str(min(SHARE, stations - first))]
        for first in range(0, stations, SHARE)
    ]


def together(figures: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """The figures of several drivers as one: sums of counts, and the worst of everything else."""
    sums = ("stations", "stated_per_s", "entries", "readings", "lost", "doubled", "driver_cpu_s")
    sinks = zip(*(each["sinks"] for each in figures), strict=True)
    return {
        **{name: sum(each[name] for each in figures) for name in sums},
        "seconds": max(each["seconds"] for each in figures),
        "driver_late_s": max(each["driver_late_s"] for each in figures),
        "good": all(each["good"] for each in figures),
        "sinks": [_worst(of_one_kind) for of_one_kind in sinks],
    }


def _worst(sinks: Sequence[dict[str, Any]]) -> dict[str, Any]:
    counts = ("due", "acknowledged", "waiting", "refused", "failures")
    lags = ("lag_median_s", "lag_p99_s", "lag_longest_s", "lag_latest_s")
    return {
        "sink": sinks[0]["sink"],
        **{name: sum(each[name] for each in sinks) for name in counts},
        **{name: max(each[name] for each in sinks) for name in lags},
    }


def _looks(
    drivers: Sequence[subprocess.Popen[str]],
    broker: Broker,
    database: Metrics,
    reader: Reader,
    settle: Callable[[], None],
) -> tuple[Moment, Moment]:
    for driver in drivers:
        assert driver.stderr is not None
        line = driver.stderr.readline()
        assert "stations publish" in line, line + driver.stderr.read()
    first = _moment(broker, database, reader)
    settle()
    return first, _moment(broker, database, reader)


def _moment(broker: Broker, database: Metrics, reader: Reader) -> Moment:
    assert database.process is not None
    broker_cpu_s, broker_mib = _use(broker.pid)
    database_cpu_s, database_mib = _use(database.process.pid)
    return Moment(
        time.monotonic(),
        broker_cpu_s,
        broker_mib,
        database_cpu_s,
        database_mib,
        reader.received,
        _rows(database),
    )


def _use(pid: int) -> tuple[float, float]:
    """Processor time, s, and resident memory, MiB, of a process: proc(5)."""
    words = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    status = Path(f"/proc/{pid}/status").read_text()
    (resident,) = [line.split()[1] for line in status.splitlines() if line.startswith("VmRSS")]
    return (int(words[11]) + int(words[12])) / TICKS_PER_S, int(resident) / 1024


def _rows(database: Metrics) -> float:
    _, body = fetch(f"{database.url}/metrics")
    lines = body.decode().splitlines()
    return sum(
        float(line.split()[1]) for line in lines if line.startswith("vm_rows_inserted_total")
    )


def _merged(database: Metrics) -> None:
    """Have the database write down what it has, as small as it would make it in time."""
    fetch(f"{database.url}/internal/force_flush")
    fetch(f"{database.url}/internal/force_merge")
    query = urllib.parse.urlencode({"query": "vm_active_force_merges"})
    wait_until(
        lambda: b"vm_active_force_merges 0" in fetch(f"{database.url}/metrics?{query}")[1],
        "the database to merge",
    )


def _disk(database: Metrics) -> int:
    storage = database.folder / "storage"
    return sum(each.stat().st_size for each in storage.rglob("*") if each.is_file())


def _need(figures: dict[str, Any], first: Moment, last: Moment, disk: int) -> Need:
    seconds = last.at_s - first.at_s
    mqtt, influx = figures["sinks"]
    stations = figures["stations"]
    return Need(
        stations=stations,
        per_s=figures["stated_per_s"],
        broker_cpu_percent=100 * (last.broker_cpu_s - first.broker_cpu_s) / seconds,
        broker_mib=last.broker_mib,
        database_cpu_percent=100 * (last.database_cpu_s - first.database_cpu_s) / seconds,
        database_mib=last.database_mib,
        database_disk_mb_day=disk / figures["seconds"] * DAY_S / 1e6,
        mqtt_mb_station_day=(last.received - first.received) / seconds / stations * DAY_S / 1e6,
        lag_ms=1000 * mqtt["lag_median_s"],
        lag_p99_ms=1000 * mqtt["lag_p99_s"],
        database_lag_ms=1000 * influx["lag_median_s"],
        driver_late_ms=1000 * figures["driver_late_s"],
    )


def fits(needs: Sequence[Need]) -> list[str]:
    """Return how each figure grows with the stations: a straight line, and how far it is off."""
    counts = np.array([each.stations for each in needs], dtype=float)
    lines = []
    for field in fields(Need):
        if field.name == "stations":
            continue
        values = np.array([float(getattr(each, field.name)) for each in needs])
        slope, base = np.polyfit(counts, values, 1)
        off = np.max(np.abs(base + slope * counts - values))
        lines.append(f"{field.name} = {base:.3g} + {slope:.3g} a station, off by {off:.2g} at most")
    return lines


def main(arguments: Sequence[str] | None = None) -> int:
    """Run it for each number of stations; return 1 if anything did not arrive."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--stations", default="10,100,500")
    parser.add_argument("--minutes", type=float, default=3.0)
    parser.add_argument("--period", type=float, default=2.0, help="s between readings of one")
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args(arguments)
    words = ["--minutes", str(asked.minutes), "--period", str(asked.period)]
    words += ["--seed", str(asked.seed)]
    outcomes = []
    for count in map(int, asked.stations.split(",")):
        with tempfile.TemporaryDirectory(prefix="brinewright-fleet-") as place:
            one = run(Path(place), count, words, lambda: time.sleep(60 * asked.minutes * 0.8))
        outcomes.append(one)
        _say(*(f"{each.name}  {getattr(one.need, each.name):.4g}" for each in fields(Need)))
        _say(
            f"entries {one.figures['entries']}, lost {one.figures['lost']}, in the database"
            f" {one.stored}, retained afterwards {one.retained_after}, driver"
            f" {one.figures['driver_cpu_s']:.0f} s: {'good' if one.good else 'NOT GOOD'}"
        )
        if one.need.driver_late_ms > 1000 * asked.period:
            _say("the drivers were late, so all this is of a slower fleet: use a machine at rest")
    if len(outcomes) > 1:
        _say(*fits([each.need for each in outcomes]))
    return 0 if all(each.good for each in outcomes) else 1


def _say(*lines: str) -> None:
    sys.stdout.write("".join(f"{line}\n" for line in lines))
    sys.stdout.flush()


if __name__ == "__main__":
    sys.exit(main())
