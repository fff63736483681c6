"""A recording as an instrument: at its own pace, and with the faults that a file can have."""

from __future__ import annotations

import os
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from daemon.config import ConfigError, parse
from daemon.entries import Instant, Sample
from daemon.probes import registry
from daemon.probes.driver import Buses
from daemon.probes.recorded import RecordedProbe, RecordedSection
from daemon.probes.registry import SECTIONS
from tests.parts.configurations import configuration

NOON = datetime(2026, 11, 29, 12, tzinfo=UTC)
HEADER = "time,conductivity_mS_cm,temperature_C,pump\n"
FILE = configuration("""
[[reservoir.probe]]
name = "ct-1"
driver = "recorded"
""")


def probe_of(path: Path) -> RecordedProbe:
    """A probe that plays a file, with the usual period of 2 s."""
    return RecordedProbe(
        "mix-1",
        RecordedSection(name="ct-1", driver="recorded", path=path, period_s=2.0),
        Buses(),
    )


def play(probe: RecordedProbe, *until_s: float) -> list[Sample]:
    """What it gives when it is woken whenever it asks for it, up to a time, s."""
    samples: list[Sample] = []
    for _ in range(10_000):
        t_s = probe.wake_s()
        if t_s > until_s[-1]:
            return samples
        samples += probe.wake(Instant(NOON + timedelta(seconds=t_s), t_s))
    raise AssertionError("it asks to be woken without end")


def faults(samples: list[Sample]) -> list[str]:
    """What is wrong."""
    return [each.fault for each in samples if each.fault]


def test_rows_come_at_the_pace_at_which_they_were_recorded(tmp_path: Path) -> None:
    """With the times of now, whenever they were recorded."""
    path = tmp_path / "rows.csv"
    path.write_text(
        HEADER + "2026-03-02T08:00:00Z,42.914,15.0,1\n2026-03-02T08:00:10Z,43.0,15.1,0\n"
        "2026-03-02T08:00:11Z,43.1,15.2,\n"
    )
    found = play(probe_of(path), 12.0)

    assert [(0.0, 42.914, True), (10.0, 43.0, False), (11.0, 43.1, None)] == [
        (each.at.mono_s, each.conductivity_mS_cm, each.pump) for each in found
    ]
    assert NOON + timedelta(seconds=10) == found[1].at.wall


def test_a_row_that_cannot_be_used_is_named_and_passed_over(tmp_path: Path) -> None:
    """By its line, as in a replay; the next one counts."""
    path = tmp_path / "rows.csv"
    path.write_text(HEADER + "2026-03-02T08:00:00Z,mud,15.0,1\r\n2026-03-02T08:00:00Z,43,15,1\r\n")
    found = play(probe_of(path), 1.0)

    assert [None, 43.0] == [each.conductivity_mS_cm for each in found]
    assert f"recording {path}, line 2: conductivity_mS_cm 'mud' is not a number" in found[0].fault


def test_a_recording_of_another_program_is_played(tmp_path: Path) -> None:
    """With semicolons, decimal commas, another unit and in UTF-16, as a replay takes it."""
    path = tmp_path / "rows.csv"
    text = "Time;Conductivity [µS/cm];Temperature [°C]\n2026-03-02T08:00:00Z;42914,0;15,5\n"
    path.write_text(text, encoding="utf-16")
    (sample,) = [each for each in play(probe_of(path), 3.0) if not each.fault]

    assert (42.914, 15.5) == (sample.conductivity_mS_cm, sample.temperature_C)


def test_the_end_of_a_recording_is_said(tmp_path: Path) -> None:
    """It is told from a probe that is silent, and again only every so often."""
    path = tmp_path / "rows.csv"
    path.write_text(HEADER + "2026-03-02T08:00:00Z,42.914,15.0,1\n")
    found = play(probe_of(path), 30.0)

    assert 42.914 == found[0].conductivity_mS_cm
    assert [f"recording {path} is at its end; add rows, or name another file"] * 5 == faults(found)


def test_a_last_row_without_a_line_end_is_a_row(tmp_path: Path) -> None:
    """Unless more of it comes within a period."""
    path = tmp_path / "rows.csv"
    path.write_text(HEADER + "2026-03-02T08:00:00Z,42.9")
    probe = probe_of(path)
    before = play(probe, 1.0)
    with path.open("a") as file:
        file.write("14,15.0,1")
    found = play(probe, 8.0)

    assert [] == before
    assert [42.914] == [each.conductivity_mS_cm for each in found if not each.fault]


def test_another_file_under_the_name_is_begun(tmp_path: Path) -> None:
    """From its first row, at once; also where the same file was cut."""
    path = tmp_path / "rows.csv"
    path.write_text(HEADER + "2026-03-02T08:00:00Z,42.914,15.0,1\n" * 3)
    probe = probe_of(path)
    first = play(probe, 1.0)
    other = tmp_path / "other.csv"
    other.write_text(HEADER + "2026-03-03T08:00:00Z,50.0,15.0,1\n")
    other.replace(path)
    second = play(probe, 5.0)
    path.write_text(HEADER + "2026\n")
    third = play(probe, 9.0)

    assert [42.914] * 3 == [each.conductivity_mS_cm for each in first]
    assert [50.0] == [each.conductivity_mS_cm for each in second if not each.fault]
    assert any("line 2" in why for why in faults(third))


def test_what_is_no_recording_is_a_fault(tmp_path: Path) -> None:
    """A file without the columns, a folder, a pipe that nobody writes, or nothing at all."""
    (tmp_path / "letter").write_text("Dear keeper,\n")
    os.mkfifo(tmp_path / "pipe")
    found = {
        name: faults(play(probe_of(tmp_path / name), 0.1))
        for name in ("letter", "pipe", "nothing", ".")
    }

    assert "the first line must name the columns" in found["letter"][0]
    assert "it is no file" in found["pipe"][0]
    assert "there is no such file; put it back, or correct the probe's path" in found["nothing"][0]
    assert "it is no file" in found["."][0]


def test_a_recording_is_looked_for_beside_the_configuration(tmp_path: Path) -> None:
    """As every other path of the file."""
    config = parse(FILE + 'path = "rows.csv"\n', tmp_path / "brinewright.toml", SECTIONS)
    section: object = config.reservoirs[0].probes[0]

    assert isinstance(section, RecordedSection)
    assert tmp_path / "rows.csv" == section.path


def test_a_recording_has_no_port() -> None:
    """Keys of another driver are unknown ones."""
    with pytest.raises(ConfigError, match="port is not a known key"):
        parse(FILE + 'path = "rows.csv"\nport = "x"\n', Path("brinewright.toml"), SECTIONS)


def test_a_recording_serves_as_a_thermometer_and_a_pump_contact(tmp_path: Path) -> None:
    """As an input it owes no conductivity: a row with either of the others is right."""
    path = tmp_path / "rows.csv"
    path.write_text(
        HEADER + "2026-03-02T08:00:00Z,,15.0,\n2026-03-02T08:00:01Z,,,0\n2026-03-02T08:00:02Z,,,\n"
    )
    section = RecordedSection(name="tank-log", driver="recorded", path=path, period_s=2.0)
    found = play(RecordedProbe("", section, Buses()), 3.0)

    assert [(15.0, None, ""), (None, False, ""), (None, None, "no value recorded")] == [
        (each.temperature_C, each.pump, each.fault) for each in found
    ]
    assert {("", "tank-log")} == {(each.reservoir, each.probe) for each in found}


def test_a_reservoir_may_take_its_pump_from_a_recording() -> None:
    """The configuration cannot know which columns the file will have."""
    log = '[[input]]\nname = "tank-log"\ndriver = "recorded"\npath = "tank.csv"\n'
    text = FILE.replace("[[reservoir.probe]]", 'pump_from = "tank-log"\n[[reservoir.probe]]')
    config = parse(text + 'path = "rows.csv"\n' + log, Path("brinewright.toml"), SECTIONS)

    assert "tank-log" == config.reservoirs[0].pump_from


def test_a_recording_whose_temperature_comes_from_elsewhere_owes_none(tmp_path: Path) -> None:
    """A row with a conductivity is right; one without is a fault."""
    (tmp_path / "rows.csv").write_text(
        HEADER + "2026-03-02T08:00:00Z,50.1,,1\n2026-03-02T08:00:01Z,,15.0,1\n"
    )
    log = '[[input]]\nname = "tank-log"\ndriver = "recorded"\npath = "tank.csv"\n'
    text = f'{FILE}path = "rows.csv"\ntemperature_from = "tank-log"\n{log}'
    config = parse(text, tmp_path / "brinewright.toml", SECTIONS)
    probe = registry.make("mix-1", config.reservoirs[0].probes[0], Buses())
    assert isinstance(probe, RecordedProbe)
    found = play(probe, 2.0)

    assert [(50.1, ""), (None, "no value recorded")] == [
        (each.conductivity_mS_cm, each.fault) for each in found
    ]
