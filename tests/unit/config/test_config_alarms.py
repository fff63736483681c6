"""`[[alarm]]` of the configuration: what may be said of an alarm, and what becomes of it."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import pytest

from daemon import assembly
from daemon.cli.main import invoke
from daemon.config import parse
from daemon.mixing.alarm.catalogue import CATALOGUE
from tests.parts.stories import mixed
from tests.unit.cli.test_cli_replay import CONFIG, events, recording
from tests.unit.config.test_config import FILE, faults


def test_without_a_section_alarms_are_as_the_catalogue_has_them() -> None:
    """Nobody has to say anything."""
    assert CATALOGUE == assembly.station(parse(CONFIG, FILE)).alarms


def test_what_is_said_of_an_alarm_counts_and_the_rest_stays() -> None:
    """Priority, delays and deadband; nothing of any other alarm."""
    text = f"""{CONFIG}
[[alarm]]
name = "temperature-out-of-band"
priority = "high"
on_delay_s = 900
deadband = 0.5

[[alarm]]
name = "storage-low"
off_delay_s = 0
"""
    rows = assembly.station(parse(text, FILE)).alarms
    warm, own = rows["temperature-out-of-band"], rows["storage-low"]

    assert ("high", 900.0, 60.0, 0.5) == (
        warm.priority,
        warm.on_delay_s,
        warm.off_delay_s,
        warm.deadband,
    )
    assert ("medium", 0.0) == (own.priority, own.off_delay_s)
    assert {"temperature-out-of-band", "storage-low"} == {
        name for name in CATALOGUE if CATALOGUE[name] != rows[name]
    }


@pytest.mark.parametrize(
    "section, parts",
    [
        (
            'name = "batch-stal"',
            ["alarm[batch-stal].name", "there is no such alarm, the nearest is 'batch-stale'"],
        ),
        (
            'name = "reading-stale"',
            ["alarm[reading-stale].name", "is the former name of 'reading-overdue'; write that"],
        ),
        (
            'name = "salt-low"\npriority = "urgent"',
            ["alarm[salt-low].priority", "'high', 'medium'"],
        ),
        ('name = "salt-low"\non_delay_s = -1', ["on_delay_s = -1", "from 0 to 86400 seconds"]),
        ('name = "salt-low"\non_delay = 5', ["on_delay is not a known key", "on_delay_s"]),
        (
            'name = "salt-low"\ndeadband = 0.1',
            ["alarm[salt-low].deadband = 0.1", "which has no deadband", "salinity-drifting"],
        ),
        ('priority = "low"', ["alarm[1].name is missing", "alarm catalogue"]),
        (
            'name = "salt-low"\n[[alarm]]\nname = "salt-low"',
            ["alarm[salt-low].name", "is already the name of alarm 1"],
        ),
    ],
)
def test_a_fault_is_a_sentence_with_key_and_what_is_allowed(section: str, parts: list[str]) -> None:
    """As everywhere in the configuration."""
    (fault,) = faults(f"{CONFIG}\n[[alarm]]\n{section}\n")

    for part in parts:
        assert part in fault


@pytest.mark.parametrize("name", ["alarm", "availability", "command", "event", "state", "station"])
def test_no_reservoir_is_called_like_a_topic_of_the_station(name: str) -> None:
    """Its topics would be taken for those of the station itself."""
    (fault,) = faults(CONFIG.replace('"mix-1"', f'"{name}"'))

    assert f"reservoir[{name}].name = {name!r} is what a topic of the station itself" in fault


def test_a_replay_raises_alarms_as_the_owner_wants_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The same settings count as in the service: ten minutes later, and high."""
    monkeypatch.chdir(tmp_path)
    section = 'name = "batch-off-target"\npriority = "high"\non_delay_s = 600'
    (tmp_path / "plain.toml").write_text(CONFIG)
    (tmp_path / "own.toml").write_text(f"{CONFIG}\n[[alarm]]\n{section}\n")
    (tmp_path / "batch.csv").write_text(recording(mixed(31.5)))
    found = []
    for config in ("plain.toml", "own.toml"):
        assert 0 == invoke(["replay", "batch.csv", "--config", config, "--json"])
        told = [each for each in events(capsys.readouterr().out) if each["kind"] == "alarm"]
        (raised,) = [each for each in told if each["what"] == "raised"]
        found.append((raised["priority"], datetime.fromisoformat(raised["time"])))
    (usual, at), (chosen, later) = found

    assert ("medium", "high") == (usual, chosen)
    assert timedelta(minutes=10) == later - at
