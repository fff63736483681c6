"""A serial line that carries noise gives missing readings, sentences, and nothing worse."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from daemon.entries import Flag, Kind, Phase
from simulators.lines import SimulatedLine
from simulators.scenarios import plain_batch
from simulators.speakers import StageSpeaker
from simulators.stage import Stage
from tests.conftest import wait_until
from tests.parts.events import facts_in
from tests.services.service_parts import (
    FREE_RUNNING,
    POLLED,
    Station,
    TroubledLine,
    assert_plain_speech,
    lines_with,
    measuring,
    serving,
)

NOISE_S = 1.5


def make_noise(line: TroubledLine) -> None:
    """Fill the line with random bytes for `NOISE_S`, real seconds: minutes of the batch."""
    line.noisy.set()
    deadline_s = time.monotonic() + NOISE_S
    wait_until(lambda: time.monotonic() > deadline_s, "the noise to last")
    line.noisy.clear()


@pytest.mark.parametrize("probe", [POLLED, FREE_RUNNING], ids=["asked", "talking"])
def test_noise_while_dissolving_and_after_release_is_got_over(tmp_path: Path, probe: str) -> None:
    """Minutes of random bytes, twice: told, flagged, and the batch goes on to be ready and stays.

    No value is invented, no traceback is written, and nothing but missing readings comes of it.
    """
    station = Station(tmp_path, probes=[probe])
    stage = Stage.setting(plain_batch(), seed=1)
    talking = probe == FREE_RUNNING
    line = TroubledLine(StageSpeaker(stage, period_s=10.0, free_running=talking), seed=7)
    simulated = SimulatedLine(station.port(), line, station.speed, waits_for_reader=True)
    with serving(simulated), measuring(station) as process:
        station.wait_for(Phase.DISSOLVING)
        make_noise(line)
        station.wait_for(Phase.READY)
        make_noise(line)
        before = len(station.readings())
        station.wait_for_readings(before + 20)
        assert Phase.READY == station.picture()["phase"]
        assert process.stop() == 0

    assert line.noise_bytes > 5_000
    states = [
        str(facts_in(e)["state"]) for e in station.events(Kind.DEVICE) if "probe" in facts_in(e)
    ]
    assert states.count("fault") >= 2
    assert states.count("fault") == states.count("working")
    unread = [reading for reading in station.readings() if reading.spoken and reading.fault]
    assert len(unread) > 10
    assert {Flag.MISSING} == {reading.flag for reading in unread}
    assert {Flag.FAIL} == {reading.tests["syntax"] for reading in unread}
    assert [] == [r for r in station.readings() if r.salinity is not None and r.salinity > 36.0]
    assert len(lines_with("unreadable line on", process)) >= 2
    assert [] == station.events(Kind.DISTURBED)
    assert_plain_speech(process)


def test_half_a_line_of_noise_costs_one_reading(tmp_path: Path) -> None:
    """Noise without a line end sticks to the next words; those after it are read again."""
    station = Station(tmp_path, 20.0, [FREE_RUNNING.replace("= 10", "= 2")])
    line = TroubledLine(StageSpeaker(Stage.setting(plain_batch(), 1), 2.0, free_running=True))
    simulated = SimulatedLine(station.port(), line, station.speed, waits_for_reader=True)
    with serving(simulated), measuring(station) as process:
        station.wait_for_readings(5)
        line.prefix = b"\xff\x00" * 150
        wait_until(lambda: any(r.spoken and r.fault for r in station.readings()), "the noise")
        station.wait_for_readings(len(station.readings()) + 5)
        assert process.stop() == 0

    tail = [r.fault for r in station.readings()][4:]
    assert 1 == sum("unreadable line" in fault for fault in tail)
    assert "" == tail[-1]
    assert_plain_speech(process)
