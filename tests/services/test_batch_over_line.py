"""A whole batch over a serial line of text, and over a recording that grows, to its release."""

from __future__ import annotations

from datetime import timedelta
from itertools import pairwise
from pathlib import Path

import pytest

from simulators.instrument import Spoken
from simulators.scenarios import plain_batch, unplugged
from simulators.speakers import StageSpeaker
from simulators.stage import Stage
from tests.parts.configurations import configuration
from tests.parts.driver_batch import START, Device, DriverBatch, OnTerminal

LINE = """
[[reservoir.probe]]
name = "ct-1"
driver = "line"
port = "{port}"
reply = '(?P<conductivity>[\\d.]+),(?P<temperature>[\\d.]+)'
units = {{ conductivity = "uS/cm", temperature = "degC" }}
compensation = "none"
"""
ASKED = LINE + 'request = "READ?\\n"\n'


class Recorder(Device):
    """An instrument's own program, which appends a row to a file every two seconds."""

    def __init__(self, stage: Stage, path: Path) -> None:
        """Begin the file."""
        super().__init__(stage)
        self._path, self._rows = path, 0
        path.write_text("time,conductivity_mS_cm,temperature_C\n", encoding="utf-8")

    def next_s(self) -> float:
        """Return when the next row is written."""
        return self._rows * 2.0

    def show(self, t_s: float, spoken: Spoken) -> None:
        """Append a row, if one is due."""
        if t_s < self.next_s():
            return
        wall = START + timedelta(seconds=self.next_s())
        with self._path.open("a", encoding="utf-8") as file:
            row = (wall.isoformat(), spoken.conductivity_mS_cm, spoken.temperature_C)
            print(*row, sep=",", file=file)
        self._rows += 1


def true_to(batch: DriverBatch, stage: Stage) -> None:
    """Whether the batch was released at what its water truly is."""
    assert batch.phases()[-1] == "ready"
    assert batch.released() == pytest.approx(stage.reservoir.true_salinity(), abs=0.05)


@pytest.mark.parametrize("section, free_running", [(LINE, True), (ASKED, False)])
def test_a_batch_over_a_line_is_released(
    tmp_path: Path, section: str, *, free_running: bool
) -> None:
    """From purified water to ready, every reading of it over a pseudo-terminal."""
    stage, port = Stage.setting(plain_batch(), seed=1), tmp_path / "ttyUSB0"
    speaker = StageSpeaker(stage, free_running=free_running)
    with DriverBatch(
        configuration(section.format(port=port)), [OnTerminal(stage, port, speaker)]
    ) as batch:
        batch.until_ready()

    true_to(batch, stage)
    assert [] == batch.faults()
    assert ["blank", "dissolving", "verifying", "ready"] == batch.phases()
    assert 1200.0 < batch.t_s < 2700.0
    assert len(batch.readings()) == pytest.approx(batch.t_s / 2.0, abs=2.0)
    assert spacing_s(batch) == pytest.approx(2.0, abs=0.02)


def test_a_batch_of_two_reservoirs_is_released_over_two_lines(tmp_path: Path) -> None:
    """Each driver has the device at its own place in the configuration."""
    text, devices = configuration(), list[Device]()
    for number in (1, 2):
        port = tmp_path / f"ttyUSB{number}"
        stage = Stage.setting(plain_batch(), seed=number)
        devices.append(OnTerminal(stage, port, StageSpeaker(stage)))
        section = ASKED.format(port=port)
        head = text[text.index("[[reservoir]]") :].replace("mix-1", "mix-2")
        text += section if number == 1 else head[: head.index("[[reservoir.probe]]")] + section
    with DriverBatch(text, devices) as batch:
        batch.until_ready()

    assert [] == batch.faults()
    for name, device in zip(("mix-1", "mix-2"), devices, strict=True):
        truth = device.stage.reservoir.true_salinity()
        assert batch.released(name) == pytest.approx(truth, abs=0.05)


def test_a_batch_whose_cable_is_pulled_is_released(tmp_path: Path) -> None:
    """Faults while the port is gone, and readings within two periods after it is back."""
    stage, port = Stage.setting(unplugged(), seed=1), tmp_path / "ttyUSB0"
    device = OnTerminal(stage, port, StageSpeaker(stage))
    with DriverBatch(configuration(ASKED.format(port=port)), [device]) as batch:
        batch.until_ready()
    times_s = [t_s for t_s, _ in batch.faults()]

    true_to(batch, stage)
    assert 900.0 <= times_s[0] <= 905.0
    assert times_s[-1] < 1080.0
    assert came_after(batch, 1080.0) <= 1084.0


def test_a_batch_over_a_recording_that_grows_is_released(tmp_path: Path) -> None:
    """A file has no descriptor, and is read all the same."""
    stage, path = Stage.setting(plain_batch(), seed=1), tmp_path / "rows.csv"
    section = f'[[reservoir.probe]]\nname = "ct-1"\ndriver = "recorded"\npath = "{path}"\n'
    with DriverBatch(configuration(section), [Recorder(stage, path)]) as batch:
        batch.until_ready()

    true_to(batch, stage)
    assert [] == batch.faults()


def test_an_answer_that_does_not_come_fails_the_test(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The harness notices a device that says it answered and did not."""
    monkeypatch.setattr("tests.parts.driver_batch.PATIENCE_S", 0.01)
    stage, port = Stage.setting(plain_batch(), seed=1), tmp_path / "ttyUSB0"
    device = OnTerminal(stage, port, StageSpeaker(stage))
    device.owe()
    with (
        DriverBatch(configuration(ASKED.format(port=port)), [device]) as batch,
        pytest.raises(AssertionError, match="nothing came"),
    ):
        batch.run(60.0)


def spacing_s(batch: DriverBatch) -> float:
    """The median time between two readings, s."""
    times_s = [each.at.mono_s for each in batch.samples]
    gaps_s = sorted(after - before for before, after in pairwise(times_s))
    return gaps_s[len(gaps_s) // 2]


def came_after(batch: DriverBatch, t_s: float) -> float:
    """When the first value came after a moment, simulated s."""
    times_s = [each.at.mono_s - 1000.0 for each in batch.samples if not each.fault]
    return next(each for each in times_s if each >= t_s)
