"""The serial driver inside the real measuring process, on real pseudo-terminals."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import serial

from daemon.entries import Flag
from simulators.instrument import Character
from simulators.lines import SimulatedLine
from simulators.scenarios import plain_batch
from simulators.speakers import StageSpeaker
from simulators.stage import Stage
from tests.conftest import PATIENCE_S, wait_until
from tests.services.service_parts import (
    POLLED,
    Station,
    assert_plain_speech,
    lines_with,
    measuring,
    serving,
)

COOL_C = 18.0
SPEED = 20.0


def cool_water(character: Character, *, free_running: bool = False) -> StageSpeaker:
    """A probe in water of 34 at 18 °C: cool enough that a wrong compensation shows."""
    story = replace(
        plain_batch(),
        actions=(),
        starts_at=34.0,
        temperature_C=COOL_C,
        character=replace(character, temperature_lag_s=0.0),
    )
    return StageSpeaker(Stage.setting(story, seed=1), period_s=2.0, free_running=free_running)


def compensated(percent_per_C: float) -> str:
    """The configuration of an instrument in mS/cm that talks by itself and tells of the pump."""
    return rf"""
name = "ct-1"
driver = "line"
port = "@PORT@"
reply = 'C=(?P<conductivity>[\d.]+) T=(?P<temperature>[\d.]+) P=(?P<pump>ON|OFF)'
units = {{ conductivity = "mS/cm", temperature = "degC" }}
compensation = {{ linear_percent_per_C = {percent_per_C}, reference_C = 25 }}
period_s = 2
"""


def test_two_kinds_of_instrument_tell_the_same_water(tmp_path: Path) -> None:
    """One asked in µS/cm, raw; one talking by itself in mS/cm, compensated, with the pump.

    Both tell the salinity of the water, which a compensated value taken for raw would miss by
    more than four.
    """
    talks = Character(units="mS/cm", compensation_percent_per_C=2.0, reply="C=%.3f T=%.2f P=ON\r\n")
    station = Station(
        tmp_path, SPEED, [POLLED.replace("= 10", "= 2"), compensated(percent_per_C=2.0)]
    )
    lines = [
        SimulatedLine(station.port(1), cool_water(Character()), SPEED),
        SimulatedLine(station.port(2), cool_water(talks, free_running=True), SPEED),
    ]
    with serving(lines[0]), serving(lines[1]), measuring(station) as process:
        station.wait_for_readings(20, 1)
        station.wait_for_readings(20, 2)
        assert process.stop() == 0

    asked, talking = station.readings(1), station.readings(2)
    for readings, pump in ((asked, None), (talking, True)):
        told = [reading for reading in readings if reading.salinity is not None]
        assert len(told) > 15
        assert [] == [r for r in told if abs((r.salinity or 0.0) - 34.0) > 0.1]
        assert {pump} == {reading.pump for reading in told}
        assert max(reading.flag for reading in told) <= Flag.NOT_EVALUATED
    assert talking[-1].spoken.startswith("C=5")
    assert_plain_speech(process)


def test_the_first_question_is_answered_at_once_by_a_line_that_waits(tmp_path: Path) -> None:
    """A waiting simulator starts with the first request, not half a second after the opening."""
    took_s = []
    for number in range(5):
        waits = SimulatedLine(
            tmp_path / f"port-{number}", cool_water(Character()), waits_for_reader=True
        )
        with serving(waits), serial.Serial(str(waits.link), 9600, timeout=PATIENCE_S) as port:
            began_s = time.monotonic()
            port.write(b"READ?\n")
            assert port.read_until(b"\r").count(b",") == 1
            took_s.append(time.monotonic() - began_s)

    # The quickest: a busy machine delays some, and a wait of half a second would delay all.
    assert min(took_s) < 0.4


def test_a_port_that_is_not_there_is_reported_and_measuring_starts_with_it(tmp_path: Path) -> None:
    """A sentence in the journal and in the log, once; readings as soon as the port appears."""
    station = Station(tmp_path, SPEED, [POLLED.replace("= 10", "= 2")])
    line = SimulatedLine(station.port(), cool_water(Character()), SPEED)
    with measuring(station) as process:
        station.wait_for_readings(5)  # none of them holds a value
        with serving(line):
            wait_until(lambda: station.device()[1:] == ["working: "], "the first value")
            assert process.stop() == 0

    sentence = (
        f"fault: port {station.port()} cannot be opened: there is no such device; plug the"
        " adapter in, or correct the probe's port"
    )
    assert [sentence, "working: "] == station.device()
    assert {Flag.MISSING} == {reading.flag for reading in station.readings()[:5]}
    assert 1 == len(lines_with("there is no such device", process))
    assert_plain_speech(process)


@contextmanager
def port_holder(port: Path) -> Iterator[subprocess.Popen[bytes]]:
    """Have another process hold a port for itself until it is killed or the block ends."""
    program = (
        "import serial, sys; p = serial.Serial(sys.argv[1], exclusive=True); print(1); input()"
    )
    with subprocess.Popen(
        [sys.executable, "-uc", program, str(port)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    ) as other:
        assert other.stdout is not None
        assert b"1\n" == other.stdout.readline()
        try:
            yield other
        finally:
            other.kill()


def test_a_port_that_another_program_holds_is_reported_and_taken_when_free(tmp_path: Path) -> None:
    """The sentence names the port and the remedy; readings come once the other lets go."""
    station = Station(tmp_path, SPEED, [POLLED.replace("= 10", "= 2")])
    line = SimulatedLine(station.port(), cool_water(Character()), SPEED)
    with serving(line), port_holder(station.port()) as other, measuring(station) as process:
        wait_until(lambda: len(station.device()) == 1, "word of the other program")
        assert {Flag.MISSING} == {reading.flag for reading in station.readings()}
        other.kill()
        wait_until(lambda: station.device()[1:] == ["working: "], "the first value")
        assert process.stop() == 0

    sentence = (
        f"port {station.port()} cannot be opened: another program holds it; stop that program"
    )
    assert [f"fault: {sentence}", "working: "] == station.device()
    assert 1 == len(lines_with("another program holds it", process))
    assert_plain_speech(process)
