"""The keys of the driver of published readings."""

from __future__ import annotations

from pathlib import Path

import pytest

from daemon.config import ConfigError, parse
from daemon.probes.registry import SECTIONS
from tests.parts.configurations import configuration

KEYS = """
driver = "mqtt_in"
host = "127.0.0.1"
period_s = 5
conductivity = { topic = "wing/node-1", value = "/ec", time = "/at" }
temperature = { topic = "wing/node-1", value = "/t" }
availability = { topic = "wing/node-1/status" }
units = { conductivity = "mS/cm", temperature = "degC" }
compensation = "none"
"""
PROBE = '[[reservoir.probe]]\nname = "node-1"\n'


def faults(keys: str, more: str = "") -> list[str]:
    """What is wrong with a probe of these keys; more sections may follow."""
    try:
        parse(configuration(PROBE + keys + more), Path("brinewright.toml"), SECTIONS)
    except ConfigError as exc:
        return list(exc.faults)
    return []


def test_the_keys_of_a_node_are_right() -> None:
    """As the guide shows them; the port follows from TLS."""
    config = parse(configuration(PROBE + KEYS), Path("brinewright.toml"), SECTIONS)
    section = config.reservoirs[0].probes[0]

    assert [] == faults(KEYS)
    assert (1883, 5.0) == (section.port, section.together_s)  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    "before, after, part",
    [
        ('"wing/node-1"', '"wing/+"', "it holds + or #"),
        ('"wing/node-1"', '"wing/#"', "it holds + or #"),
        ('"wing/node-1"', '"$SYS/uptime"', "begins with $"),
        ('"/ec"', '"ec"', "JSON pointer"),
        ('"/ec"', '"/e~c"', "a ~ in a JSON pointer"),
        ('value = "/ec", ', "", "needs value beside it"),
        ("period_s = 5", 'password_file = "word"', "password_file"),
        ("period_s = 5", 'ca_file = "ca.pem"\ntls = false', "tls = true"),
        ('"wing/node-1/status" }', '"wing/s", online = "offline" }', "a word of its own"),
        ('host = "127.0.0.1"', "", "host is missing"),
    ],
)
def test_a_wrong_key_is_a_sentence(before: str, after: str, part: str) -> None:
    """Wildcards, pointers that are none, and what needs another key beside it."""
    assert before in KEYS
    found = faults(KEYS.replace(before, after, 1))

    assert any(part in each for each in found), found


def test_a_section_without_any_topic_reads_nothing() -> None:
    """It is told what to give."""
    lines = [each for each in KEYS.splitlines() if not each.startswith(("cond", "temp"))]
    found = faults("\n".join(lines) + "\n")

    assert any("conductivity" in each for each in found), found


def test_a_conductivity_alone_needs_the_temperature_of_an_input() -> None:
    """Which the same driver may be."""
    lines = [each for each in KEYS.splitlines() if not each.startswith("temperature")]
    alone = "\n".join(lines) + "\n"
    thermometer = """
[[input]]
name = "thermo-1"
driver = "mqtt_in"
host = "127.0.0.1"
temperature = { topic = "wing/thermo-1" }
units = { temperature = "degC" }
"""

    assert any("temperature is missing" in each for each in faults(alone))
    assert [] == faults(alone + 'temperature_from = "thermo-1"\n', thermometer)


def test_one_instrument_is_no_two_probes() -> None:
    """Two sections that read one value of one topic would pass for redundant."""
    twin = '[[reservoir.probe]]\nname = "node-2"\n' + KEYS
    other = twin.replace('"/ec"', '"/ec2"')

    assert any("one conductivity serves one probe" in each for each in faults(KEYS, twin))
    assert [] == faults(KEYS, other)
