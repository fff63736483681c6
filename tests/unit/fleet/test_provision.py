"""`deploy/fleet/provision`: one command gives a station all that it needs, or takes it away."""

from __future__ import annotations

import json
import shutil
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from daemon.config import load
from daemon.probes.registry import SECTIONS
from deploy.fleet import accounts, stations
from deploy.fleet.errors import FleetError, MissingError, UsageError
from deploy.fleet.stations import Fleet, add, listing, main, withdraw

EXAMPLE = Path(__file__).parents[3] / "deploy/fleet"
ADDRESS = "192.0.2.21"


@pytest.fixture
def fleet(tmp_path: Path) -> Fleet:
    """A fleet's folder with the example's template, a certificate, a token and a reader."""
    one = Fleet(tmp_path / "fleet")
    (one.folder / "shared").mkdir(parents=True)
    shutil.copy(EXAMPLE / "station.toml", one.template)
    (one.folder / "shared/ca.pem").write_text("certificate\n")
    (one.folder / "shared/influx-token").write_text("token\n")
    one.passwords.write_text("fleet-view:$7$101$abc$def\n")
    one.passwords.chmod(0o640)
    return one


def modes(folder: Path) -> dict[str, str]:
    """Rights of each file in a folder."""
    return {each.name: oct(stat.S_IMODE(each.stat().st_mode)) for each in folder.iterdir()}


def test_a_station_gets_a_whole_and_valid_configuration(fleet: Fleet) -> None:
    """The service loads what was written, with its drivers' own keys, as it is."""
    add(fleet, "north-wing", ADDRESS, "North wing")
    config = load(fleet.station("north-wing") / "brinewright.toml", SECTIONS)

    assert ("north-wing", "North wing") == (config.station.name, config.station.label)
    assert config.mqtt is not None
    assert config.influx is not None
    assert ("north-wing", True) == (config.mqtt.username, config.mqtt.tls)
    assert "0.0.0.0:8407" == config.page.listen
    assert "@" not in "".join(
        line
        for line in (fleet.station("north-wing") / "brinewright.toml").read_text().splitlines()
        if not line.startswith("#") and "discovery" not in line
    )


def test_secrets_are_in_files_of_their_own_and_never_said(
    fleet: Fleet, capsys: pytest.CaptureFixture[str]
) -> None:
    """Mode 600, in a folder that nobody else may enter; the account's file keeps its rights."""
    assert 0 == main(["--fleet", str(fleet.folder), "add", "north-wing", "--address", ADDRESS])
    said, place = capsys.readouterr(), fleet.station("north-wing")
    password = (place / "mqtt-password").read_text().strip()

    assert {
        "brinewright.toml": "0o640",
        "mqtt-password": "0o600",
        "influx-token": "0o600",
        "ca.pem": "0o600",
    } == modes(place)
    assert 0o700 == stat.S_IMODE(place.stat().st_mode)
    assert 0o640 == stat.S_IMODE(fleet.passwords.stat().st_mode)
    assert len(password) >= 32
    assert password not in said.out + said.err + fleet.passwords.read_text()
    assert password not in (place / "brinewright.toml").read_text()


def test_the_account_and_the_target_carry_the_station_s_name(fleet: Fleet) -> None:
    """Beside those that were there; the metrics are read with the name as a label."""
    add(fleet, "north-wing", f"{ADDRESS}:9000", "")
    target = json.loads(fleet.target("north-wing").read_text())

    assert {"fleet-view", "north-wing"} == accounts.names(fleet.passwords)
    assert [{"targets": ["192.0.2.21:9000"], "labels": {"station": "north-wing"}}] == target
    assert ["north-wing: 192.0.2.21:9000"] == listing(fleet)


def test_two_stations_never_share_a_password(fleet: Fleet) -> None:
    """Each is drawn for itself, also when a station comes a second time."""
    words = set()
    for name in ("north-wing", "south-wing", "north-wing"):
        if fleet.station(name).exists():
            withdraw(fleet, name)
        add(fleet, name, ADDRESS, "")
        words.add((fleet.station(name) / "mqtt-password").read_text())

    assert 3 == len(words)


def test_adding_a_station_twice_changes_nothing_and_says_so(fleet: Fleet) -> None:
    """Its password stays, so the board that has it still gets in."""
    add(fleet, "north-wing", ADDRESS, "")
    before = {each: each.read_bytes() for each in fleet.folder.rglob("*") if each.is_file()}

    assert "is provisioned already" in add(fleet, "north-wing", "192.0.2.99", "Other")
    assert before == {each: each.read_bytes() for each in fleet.folder.rglob("*") if each.is_file()}


@pytest.mark.parametrize(
    "name",
    [
        *("", "-a", "a-", "A", "a b", "a/b", "../a", ".", "a.b", "a+", "#", "a:b", "a\n", "ä"),
        *("a" * 64, "simulated-1", "%u", "$SYS", "a\0b"),
    ],
)
def test_a_name_that_means_something_elsewhere_is_refused(fleet: Fleet, name: str) -> None:
    """To a broker, a folder, a password file or a shell; nothing is written."""
    with pytest.raises(UsageError):
        add(fleet, name, ADDRESS, "")

    assert not fleet.stations.exists()


@pytest.mark.parametrize("address", ["", "http://a", "a:0", "a:70000", "a:b", "a/b", "a b", "-a"])
def test_an_address_that_cannot_be_read_from_is_refused(fleet: Fleet, address: str) -> None:
    """A host, and a port that there is."""
    with pytest.raises(UsageError, match="no address"):
        add(fleet, "north-wing", address, "")


def test_a_name_that_a_reader_has_is_taken(fleet: Fleet) -> None:
    """Its account would become the station's."""
    before = fleet.passwords.read_text()
    with pytest.raises(FleetError, match="belongs to another station or service"):
        add(fleet, "fleet-view", ADDRESS, "")

    assert before == fleet.passwords.read_text()
    assert [] == listing(fleet)


@pytest.mark.parametrize("broken", ["_write", "accounts.set_password", "_reload"])
def test_what_was_interrupted_is_finished_by_the_same_command(
    fleet: Fleet, broken: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Wherever it ended, and `list` says so; nothing of it is left over."""

    def fail(*_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(f"deploy.fleet.stations.{broken}", fail)
        with pytest.raises(KeyboardInterrupt):
            add(fleet, "north-wing", ADDRESS, "")
    if broken != "_reload":
        assert ["north-wing: unfinished; add it once more, or withdraw it"] == listing(fleet)
    add(fleet, "north-wing", ADDRESS, "")

    assert ["north-wing"] == [each.name for each in fleet.stations.iterdir()]
    assert ["north-wing: 192.0.2.21:8407"] == listing(fleet)


def test_a_station_without_its_account_is_named(fleet: Fleet) -> None:
    """After an older password file was restored, adding makes no other password."""
    add(fleet, "north-wing", ADDRESS, "")
    accounts.remove(fleet.passwords, "north-wing")

    assert ["north-wing: 192.0.2.21:8407; no account"] == listing(fleet)
    with pytest.raises(FleetError, match="withdraw north-wing, then add it"):
        add(fleet, "north-wing", ADDRESS, "")


def test_a_station_that_is_withdrawn_leaves_nothing(fleet: Fleet) -> None:
    """Account, secrets and target; the others keep theirs, and a second time there is none."""
    add(fleet, "north-wing", ADDRESS, "")
    add(fleet, "south-wing", ADDRESS, "")
    said = withdraw(fleet, "north-wing")

    assert "mosquitto_sub --remove-retained -t 'brinewright/north-wing/#'" in said
    assert {"fleet-view", "south-wing"} == accounts.names(fleet.passwords)
    assert [] == list(fleet.folder.rglob("*north*"))
    with pytest.raises(FleetError, match="there is no station north-wing"):
        withdraw(fleet, "north-wing")
    with pytest.raises(FleetError, match="there is no station fleet-view"):
        withdraw(fleet, "fleet-view")


@pytest.mark.parametrize(
    "change, why",
    [
        (("@STATION@", "north-wing"), "names no @STATION@"),
        (("target_ppt = 34.0", "target_ppt = 340"), "target_ppt = 340 is not allowed"),
        (("[page]", "[page"), "does not become a configuration"),
    ],
)
def test_a_template_that_gives_no_valid_configuration_is_refused(
    fleet: Fleet, change: tuple[str, str], why: str
) -> None:
    """Before anything is written, with the key and what is allowed."""
    fleet.template.write_text(fleet.template.read_text().replace(*change))
    with pytest.raises(MissingError, match=why):
        add(fleet, "north-wing", ADDRESS, "")

    assert [] == listing(fleet)


def test_a_label_with_quotes_stays_a_label(fleet: Fleet) -> None:
    """It cannot end its key and begin another."""
    label = 'North" wing\\'
    add(fleet, "north-wing", ADDRESS, label)

    assert label == load(fleet.station("north-wing") / "brinewright.toml").station.label
    with pytest.raises(UsageError, match="a label"):
        add(fleet, "south-wing", ADDRESS, "two\nlines")


def test_what_is_missing_is_named(
    fleet: Fleet, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The folder, the template, the program that makes hashes: exit 69 each."""
    with pytest.raises(MissingError, match=r"there is no .*nowhere"):
        add(Fleet(tmp_path / "nowhere"), "north-wing", ADDRESS, "")
    monkeypatch.setattr(accounts, "PROGRAM", "mosquitto-none")
    with pytest.raises(MissingError, match="apt install mosquitto"):
        add(fleet, "north-wing", ADDRESS, "")
    fleet.template.unlink()
    with pytest.raises(MissingError, match=r"there is no .*station\.toml"):
        add(fleet, "north-wing", ADDRESS, "")

    assert 69 == MissingError.code


@pytest.mark.parametrize(
    "script, said", [("exit 0", "the broker knows"), ("echo no >&2; exit 3", "failed (no)")]
)
def test_the_fleet_s_own_program_has_the_broker_read_again(
    fleet: Fleet, script: str, said: str
) -> None:
    """And where it fails, that is said and the station is there all the same."""
    (fleet.folder / "reload").write_text(f"#!/bin/sh\n{script}\n")
    (fleet.folder / "reload").chmod(0o700)

    assert said in add(fleet, "north-wing", ADDRESS, "")
    assert ["north-wing: 192.0.2.21:8407"] == listing(fleet)


def test_the_command_is_a_program_of_its_own(fleet: Fleet) -> None:
    """Run from anywhere, by any user; a refusal is one sentence and its code."""
    program, environment = (
        EXAMPLE / "provision",
        {"PATH": "/usr/bin:/bin", "PYTHON": sys.executable},
    )
    done = subprocess.run(
        [program, "--fleet", fleet.folder, "withdraw", "north-wing"],
        cwd="/", env=environment, capture_output=True, text=True, check=False,
    )  # fmt: skip

    assert (1, "") == (done.returncode, done.stdout)
    assert "provision: there is no station north-wing" in done.stderr
    assert 1 == len(done.stderr.splitlines())
    assert stations.FOLDER == Path("/srv/brinewright")
