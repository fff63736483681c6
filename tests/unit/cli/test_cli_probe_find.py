"""`brinewright probe find` prints what is connected, at 80 columns, or what to plug in."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from daemon.cli import probe_find
from daemon.config import Config
from daemon.probes.inventory import Connection, Way
from daemon.probes.inventory.listing import ADVICE
from tests.parts.configurations import configuration
from tests.parts.every_verb import run_here

PORT = Connection(
    Way.SERIAL,
    "/dev/serial/by-id/usb-Q-12-with-a-name-that-is-so-long-that-it-fills-a-line-of-the-screen",
    ("/dev/ttyUSB0",),
    "USB, adapter\x1b[2J, serial number Q-12",
    ("line",),
    ("probe ct-1 of reservoir mix-1",),
    ("process 812 (terminal)",),
    ("/dev/ttyUSB0: you (keeper) are not in the group dialout: " + "do this " * 12,),
)


@pytest.fixture
def config(tmp_path: Path) -> Path:
    """A configuration of one reservoir."""
    path = tmp_path / "brinewright.toml"
    path.write_text(configuration(), encoding="utf-8")
    return path


def connected(monkeypatch: pytest.MonkeyPatch, *found: Connection) -> None:
    """Have so much connected, and nothing else."""

    def connections(_: Config | None) -> list[Connection]:
        return list(found)

    monkeypatch.setattr(probe_find, "connections", connections)


def test_each_connection_is_printed_with_what_is_in_its_way(
    monkeypatch: pytest.MonkeyPatch, config: Path
) -> None:
    """Name, user, holder and remedy; nothing that an adapter says reaches the terminal raw."""
    connected(monkeypatch, PORT)
    answer = run_here(["probe", "find", "--config", str(config)])

    assert (0, "") == (answer.code, answer.err)
    for words in ("Serial ports", PORT.name, "ct-1 of reservoir mix-1", "812", "not in the group"):
        assert words in answer.out
    assert "\x1b" not in answer.out
    assert all(len(line) <= 80 for line in answer.out.splitlines() if PORT.name not in line)


def test_a_machine_without_anything_says_what_to_plug_in(
    monkeypatch: pytest.MonkeyPatch, config: Path
) -> None:
    """Plainly, and each way with its advice."""
    connected(monkeypatch)
    answer = run_here(["probe", "find", "--config", str(config)])
    words = " ".join(answer.out.split())

    assert 0 == answer.code
    assert "Nothing is connected that a probe could be read over." in words
    assert [] == [each for each in ADVICE.values() if each not in words]


def test_json_is_one_object(monkeypatch: pytest.MonkeyPatch, config: Path) -> None:
    """With the same facts."""
    connected(monkeypatch, PORT)
    answer = run_here(["probe", "find", "--json", "--config", str(config)])
    (found,) = json.loads(answer.out)["connections"]

    assert (PORT.name, ["/dev/ttyUSB0"], list(PORT.faults)) == (
        found["name"],
        found["other_names"],
        found["faults"],
    )


def test_finding_comes_before_a_configuration(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Where none is there yet it lists all the same, and says so; a file that is named must be."""
    connected(monkeypatch, PORT)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    monkeypatch.setattr("daemon.config.loading.USUAL_PLACES", (Path("brinewright.toml"),))
    answer = run_here(["probe", "find"])
    named = run_here(["probe", "find", "--config", "none.toml"])

    assert 0 == answer.code
    assert "which of them a probe uses is not known: no configuration at" in answer.err
    assert PORT.name in answer.out
    assert (78, "") == (named.code, named.out)
