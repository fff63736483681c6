"""What deploy/ hands out fits the program: configurations load, unit files start what exists."""

from __future__ import annotations

import re
import shutil
import subprocess
from collections.abc import Iterator
from ipaddress import ip_network
from pathlib import Path
from typing import get_args

import pytest

from daemon.config import Config, load, parse
from daemon.config.fields import Section
from daemon.config.probe import Source
from daemon.mixing.alarm.catalogue import Priority
from daemon.probes.registry import SECTIONS
from daemon.publishing.notify.news import MessageKind
from daemon.publishing.notify.receivers import ANY_HOUR
from daemon.run import ENVIRONMENT, command

ROOT = Path(__file__).resolve().parents[2]
DEPLOY = ROOT / "deploy"


def test_the_example_configuration_is_right() -> None:
    """Whoever copies the example starts from a file without a fault."""
    config = load(DEPLOY / "brinewright.toml", SECTIONS)

    assert ["mix-1"] == [reservoir.name for reservoir in config.reservoirs]
    assert config.mqtt is None


def test_the_commented_parts_of_the_example_are_right_too() -> None:
    """Taking the marks away from a section gives a right file."""
    text = (DEPLOY / "brinewright.toml").read_text(encoding="utf-8")
    whole = re.sub(r"^# (\[|\w+ = )", r"\1", text, flags=re.MULTILINE)
    config = parse(whole, DEPLOY / "brinewright.toml", SECTIONS)

    assert config.mqtt is not None
    assert DEPLOY / "mqtt-password" == config.mqtt.password_file
    assert config.notify is not None
    assert DEPLOY / "receivers" == config.notify.urls_file
    assert config.heartbeat is not None
    assert config.influx is not None
    assert DEPLOY / "influx-token" == config.influx.token_file
    assert ("mqtt", "influx", "notify") == config.publishers


@pytest.mark.parametrize("path", ["receivers.example", "guides/notifications.md"])
def test_every_word_of_a_line_of_receivers_is_explained(path: str) -> None:
    """Priorities, kinds of messages, and the one that lifts the quiet hours."""
    text = (DEPLOY / path).read_text()
    words = [*Priority, *MessageKind, ANY_HOUR]

    assert [] == [word for word in words if not re.search(rf"(?<![\w-]){word}(?![\w-])", text)]


def keys_of(section: type[Section]) -> Iterator[tuple[str, str]]:
    """Yield each key of a section and of those within it, as the file spells it."""
    for name, field in section.model_fields.items():
        inner = [each for each in _within(field.annotation) if issubclass(each, Section)]
        if not inner:
            yield section.__name__, field.alias or name
        for each in inner:
            yield from keys_of(each)


def _within(annotation: object) -> Iterator[type]:
    """Yield the classes that an annotation is made of."""
    if isinstance(annotation, type) and not get_args(annotation):
        yield annotation
    for part in get_args(annotation):
        yield from _within(part)


def test_the_example_shows_every_key() -> None:
    """Nothing can be set that the example does not tell of."""
    text = (DEPLOY / "brinewright.toml").read_text(encoding="utf-8")
    told = set(re.findall(r"(\w+) = ", text))

    found = [*keys_of(Config), *(each for one in SECTIONS.values() for each in keys_of(one))]

    assert len(found) > 60
    assert [] == [(section, key) for section, key in found if key not in told]


def test_the_rehearsal_s_configuration_is_right() -> None:
    """The demo's template, filled in, loads."""
    text = (DEPLOY / "rehearsal.toml").read_text(encoding="utf-8")
    for name, value in {
        "SPEED": "60",
        "SINCE": "2026-03-02T08:00:00Z",
        "PORT": "port",
        "JOURNAL": "journal.db",
    }.items():
        text = text.replace(f"@{name}@", value)

    assert parse(text, DEPLOY / "rehearsal.toml", SECTIONS).station.rehearsal_speed == 60.0


@pytest.mark.parametrize("part", ["measure", "publish"])
def test_a_unit_starts_one_part_and_does_not_retry_a_wrong_configuration(part: str) -> None:
    """The service manager runs what the program offers, and gives up on exit 78."""
    unit = (DEPLOY / f"brinewright-{part}.service").read_text(encoding="utf-8")
    keys = dict(line.split("=", 1) for line in unit.splitlines() if re.match(r"\w+=", line))

    program, *words = keys["ExecStart"].split()
    assert "/opt/brinewright/current/bin/python" == program
    assert command(part, Path("/etc/brinewright/brinewright.toml"))[1:] == words[3:]
    assert "78" == keys["RestartPreventExitStatus"]
    assert ENVIRONMENT == dict([keys["Environment"].split("=", 1)])
    assert ("brinewright", "brinewright-keepers") == (keys["User"], keys["Group"])


NETWORKED = "measure, with a network"


@pytest.fixture(params=["measure", NETWORKED, "publish"])
def unit(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    """A unit file as it is handed out, but for the program, which is not installed here."""
    if shutil.which("systemd-analyze") is None:
        pytest.skip("systemd-analyze is not here: it comes with systemd")
    path = tmp_path / f"brinewright-{request.param.partition(',')[0]}.service"
    if request.param == NETWORKED:
        beside = tmp_path / f"{path.name}.d/network.conf"
        beside.parent.mkdir()
        shutil.copy(DEPLOY / "brinewright-measure-network.conf", beside)
    text = (DEPLOY / path.name).read_text(encoding="utf-8")
    program = "ExecStart=/opt/brinewright/current/bin/python"
    assert program in text
    path.write_text(text.replace(program, "ExecStart=/bin/true"))
    return path


def analyse(*words: str | Path) -> tuple[int, str]:
    """What the service manager's own check says, and its exit code."""
    done = subprocess.run(
        ["systemd-analyze", "--no-pager", *words], capture_output=True, text=True, check=False
    )
    return done.returncode, done.stdout + done.stderr


def test_the_service_manager_understands_every_line(unit: Path) -> None:
    """A key that is misspelt would be passed over, and its protection with it."""
    words = ("verify", "--man=no", "--recursive-errors=no")
    good = analyse(*words, unit)
    unit.write_text(unit.read_text().replace("ProtectHome", "ProtectHoem"))
    bad, said = analyse(*words, unit)

    assert (0, "") == good
    assert bad != 0
    assert "ProtectHoem" in said


def test_a_unit_may_do_little_more_than_it_must(unit: Path) -> None:
    """An exposure of at most 1.5 of 10 by the service manager's own measure, 1.8 with a network."""
    networked = unit.with_suffix(".service.d").exists()
    words = ("security", "--offline=true", f"--threshold={18 if networked else 15}")
    code, said = analyse(*words, unit)
    unit.write_text(unit.read_text().replace("SystemCallFilter=", "#"))
    loose, _ = analyse(*words, unit)

    assert (0, True) == (code, "Overall exposure level" in said)
    assert loose == 1


def test_a_unit_names_no_group_that_a_machine_may_lack() -> None:
    """One that is missing ends each start before the program begins; dialout is Debian's own."""
    unit = (DEPLOY / "brinewright-measure.service").read_text(encoding="utf-8")
    rules = (DEPLOY / "brinewright-buses.rules").read_text(encoding="utf-8")

    assert ["dialout"] == re.findall(r"^SupplementaryGroups=(.*)$", unit, re.MULTILINE)
    assert ["dialout", "dialout"] == re.findall(r'GROUP="(\w+)"', rules)


def test_what_measures_over_a_network_may_reach_private_ones_alone() -> None:
    """The unit itself has none; what is written beside it allows no address of the world."""
    unit = (DEPLOY / "brinewright-measure.service").read_text(encoding="utf-8")
    more = (DEPLOY / "brinewright-measure-network.conf").read_text(encoding="utf-8")
    (allowed,) = re.findall(r"^IPAddressAllow=(.*)$", more, re.MULTILINE)
    ranges = [ip_network(each) for each in allowed.split() if "/" in each]

    assert "\nPrivateNetwork=yes\n" in unit
    assert "\nRestrictAddressFamilies=AF_UNIX\n" in unit
    assert "\nIPAddressDeny=any\n" in more
    assert {"localhost", "link-local"} == {each for each in allowed.split() if "/" not in each}
    assert 4 == len(ranges)
    assert all(each.is_private for each in ranges)


def test_the_drivers_that_need_a_network_say_so() -> None:
    """By that the installer knows; a serial line or a bus needs none."""
    text = (DEPLOY / "brinewright.toml").read_text(encoding="utf-8")
    whole = re.sub(r"^# (\[|\w+ = )", r"\1", text, flags=re.MULTILINE)
    config = parse(whole, DEPLOY / "brinewright.toml", SECTIONS)
    sources = [*config.inputs, *config.reservoirs[0].probes]
    needing = {each.driver for each in sources if each.needs_network}

    silent = [
        name
        for name, section in SECTIONS.items()
        if "host" in section.model_fields and section.needs_network is Source.needs_network
    ]

    assert {"mqtt_in"} <= needing
    assert not needing & {"line", "recorded", "i2c", "gpio"}
    assert [] == silent, "a section with a host overrides the property needs_network"
