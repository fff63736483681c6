"""An adapter that is pulled out and put back is told once and read again at once."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path

from daemon.entries import Flag
from simulators.lines import SimulatedLine
from simulators.scenarios import plain_batch
from simulators.speakers import StageSpeaker
from simulators.stage import Stage
from tests.campaigns.unplugs import LIMIT_PERIODS, adapter
from tests.conftest import wait_until
from tests.services.service_parts import (
    POLLED,
    Station,
    TroubledLine,
    assert_plain_speech,
    lines_with,
    measuring,
    serving,
)

SPEED = 25.0
PERIOD_S = 5.0


def test_an_adapter_pulled_twice_is_reported_twice_and_resumes(tmp_path: Path) -> None:
    """Each outage is one line in the log and one event; readings come within two periods.

    While the adapter is out there is a missing reading each period, never a value.
    """
    station = Station(tmp_path, SPEED, [POLLED.replace("= 10", f"= {PERIOD_S:g}")])
    story = replace(plain_batch(), actions=(), starts_at=34.0)
    line = TroubledLine(StageSpeaker(Stage.setting(story, seed=1)))
    simulated = SimulatedLine(station.port(), line, SPEED)
    with serving(simulated), measuring(station) as process:
        station.wait_for_readings(5)
        for outage in (1, 2):
            pull_and_put_back(line, station, told=2 * outage - 1)
        assert process.stop() == 0

    states = [said.partition(":")[0] for said in station.device()]
    assert ["fault", "working", "fault", "working"] == states
    assert 2 == len(lines_with("state=fault", process))
    sentence = (
        f"port {station.port()} cannot be opened: there is no such device; plug the adapter in"
    )
    assert 2 == sum(sentence in line for line in lines_with("state=fault", process))
    assert 10 > len(process.output_lines)
    assert_plain_speech(process)


def test_an_instrument_that_sends_without_a_request_is_read_within_two_periods(
    tmp_path: Path,
) -> None:
    """A slice of the campaign: each time a value comes in time, and no file is left open."""
    with adapter(tmp_path, speed=2.0, period_s=1.6, seed=4, talking=True) as one:
        files = one.open_files()
        took = [one.outage() for _ in range(4)]

        assert max(took) < LIMIT_PERIODS
        assert files == one.open_files()


def pull_and_put_back(line: TroubledLine, station: Station, told: int) -> None:
    """Have an outage of four periods; `told` is the number of device events once it is told."""
    line.pulled.set()
    wait_until(lambda: not station.port().is_symlink(), "the port to go")
    wait_until(lambda: len(station.device()) == told, "word of it")
    out = len(station.readings())
    station.wait_for_readings(out + 4)
    assert {Flag.MISSING} == {r.flag for r in station.readings()[out:]}
    line.pulled.clear()
    wait_until(station.port().is_symlink, "the port to come back")
    back_s = time.monotonic() * SPEED  # as the station's own clock counts
    wait_until(lambda: len(station.device()) == told + 1, "a value")

    def came() -> list[float]:
        return [r.at.mono_s for r in station.readings() if r.at.mono_s > back_s and not r.fault]

    wait_until(lambda: came() != [], "a value after the port was back")
    assert came()[0] - back_s < 2 * PERIOD_S
