"""A batch from the serial line to the journal: live is replay, whatever the instrument."""

from __future__ import annotations

import csv
import json
import subprocess
import sys
from collections.abc import Iterable
from datetime import datetime
from itertools import groupby
from pathlib import Path
from typing import Any

from daemon.entries import Event, Kind, Phase, Reading
from daemon.journal.payloads import event_payload
from tests.conftest import wait_until
from tests.services.service_parts import (
    BATCH_S,
    FREE_RUNNING,
    ROOT,
    Station,
    assert_plain_speech,
    measuring,
    playing,
    running,
)

PERIOD_S = 4.0


def replayed(recording: Path, config: Path) -> list[dict[str, Any]]:
    """What `brinewright replay --json` says of a recording, device events aside."""
    words = ["replay", str(recording), "--config", str(config), "--json"]
    done = subprocess.run(
        [sys.executable, "-m", "daemon.cli.main", *words],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=120,
        check=True,
    )
    assert "" == done.stderr
    told = [json.loads(line) for line in done.stdout.splitlines()]
    return [event for event in told if event["kind"] != Kind.DEVICE]


def export(readings: Iterable[Reading], recording: Path) -> None:
    """Write readings as a recording; a value that did not come is an empty field."""
    with recording.open("w", newline="", encoding="utf-8") as file:
        out = csv.writer(file)
        out.writerow(["time", "conductivity_mS_cm", "temperature_C"])
        for each in readings:
            time = each.at.wall.isoformat(timespec="milliseconds")
            out.writerow([time, each.conductivity_mS_cm, each.temperature_C])


def live(events: Iterable[Event]) -> list[dict[str, Any]]:
    """The events of a journal as a replay would say them, device events aside."""
    told = [event_payload(event) for event in events if event.kind is not Kind.DEVICE]
    return [json.loads(json.dumps(event)) for event in told]


def course(events: Iterable[dict[str, Any]]) -> list[str]:
    """Kinds in order, with the phase where there is one; forecasts that follow count as one."""
    names = [f"{event['kind']} {event.get('to', '')}".strip() for event in events]
    return [name for name, _ in groupby(names)]


def test_live_is_replay(tmp_path: Path) -> None:
    """The recording of a live batch, replayed, gives the same events at the same times."""
    station = Station(tmp_path)
    with playing(station, "short-weight"), measuring(station) as process:
        station.wait_for(Phase.OFF_TARGET)
        assert process.stop() == 0
    export(station.readings(), tmp_path / "live.csv")

    expected = live(station.events())
    assert expected == replayed(tmp_path / "live.csv", station.config)
    assert {"batch", "phase", "forecast", "stabilised", "advice", "alarm"} == {
        event["kind"] for event in expected
    }
    assert_plain_speech(process)


def elapsed_s(event: dict[str, Any], start: datetime) -> float:
    """Seconds from `start` to an event."""
    return (datetime.fromisoformat(event["time"]) - start).total_seconds()


def test_a_recording_played_to_the_service_is_its_replay(tmp_path: Path) -> None:
    """A recording, said row by row over a line, is judged as `replay` judges the file.

    Every row arrives, the first one too: the line was silent before it, so it is whole.
    """
    recording = tmp_path / "recorded.csv"
    words = ("record", "plain-batch", "--hours", "0.75", "--period", f"{PERIOD_S:g}")
    subprocess.run(
        [sys.executable, "-m", "simulators", *words, "--out", str(recording)],
        cwd=ROOT,
        check=True,
        capture_output=True,
    )
    probe = FREE_RUNNING.replace("period_s = 10", f"period_s = {PERIOD_S:g}")
    station, go = Station(tmp_path, probes=[probe]), tmp_path / "go"
    line = ("simulators", "repeat", str(recording), "--start", "now", "--go", str(go))
    how = ("--link", str(station.port()), "--speed", f"{station.speed:g}")
    rows = instrument_lines(recording)
    with running("line", *line, *how, folder=tmp_path), measuring(station) as process:
        station.wait_for_readings(1)  # a missing one: the port is open, and nothing is said
        go.touch()
        wait_until(lambda: len(values(station)) >= len(rows), "every row", BATCH_S)
        assert process.stop() == 0

    assert rows == [reading.spoken for reading in values(station)]
    last = values(station)[-1].at.mono_s  # what follows is about the silence after it
    told = live(event for event in station.events() if event.at.mono_s <= last)
    expected = replayed(recording, station.config)
    assert course(expected) == course(told)
    assert "phase ready" in course(told)
    start, first = datetime.fromisoformat("2026-03-02T08:00:00Z"), values(station)[0].at.wall
    for theirs, ours in zip(marks(expected), marks(told), strict=True):
        # The call is a threshold crossed by evidence: other instants cross it minutes apart.
        assert abs(elapsed_s(theirs, start) - elapsed_s(ours, first)) < 300.0
        assert abs(theirs.get("salinity", 0.0) - ours.get("salinity", 0.0)) < 0.02


def instrument_lines(recording: Path) -> list[str]:
    """The rows of a recording as its instrument says them: µS/cm, then °C."""
    with recording.open(newline="", encoding="utf-8") as file:
        rows = csv.DictReader(file)
        return [
            f"{1000 * float(row['conductivity_mS_cm']):.1f},{float(row['temperature_C']):.2f}"
            for row in rows
        ]


def values(station: Station) -> list[Reading]:
    """The readings that hold a value."""
    return [reading for reading in station.readings() if reading.salinity is not None]


def marks(events: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
    """The events that a keeper goes by."""
    return [event for event in events if event["kind"] in (Kind.PHASE, Kind.STABILISED)]
