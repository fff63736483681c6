"""The section of an SDI-12 instrument: what it must say, and who may share a line."""

from __future__ import annotations

from pathlib import Path

import pytest

from daemon import assembly
from daemon.config import ConfigError, parse
from daemon.probes.registry import SECTIONS
from daemon.probes.sdi12 import Sdi12Probe
from tests.parts.configurations import RESERVOIR, configuration

PROBE = """
[[reservoir.probe]]
name = "ct-1"
driver = "sdi12"
port = "/dev/ttyUSB0"
{keys}
"""
MEASURED = """
values = { conductivity = 1, temperature = 2 }
units = { conductivity = "uS/cm", temperature = "degC" }
compensation = "none"
"""


def probe(keys: str = "", measured: str = MEASURED) -> str:
    """A section."""
    return PROBE.format(keys=measured + keys)


def faults(text: str) -> str:
    """What is wrong with a configuration, in one."""
    with pytest.raises(ConfigError) as caught:
        parse(configuration(text), Path("brinewright.toml"), SECTIONS)
    return " ".join(caught.value.faults)


@pytest.mark.parametrize(
    "keys, says",
    [
        ('address = "10"', "address = '10' is not allowed; give an address of one character"),
        ('address = "?"', "address = '?' is not allowed; give an address of one character"),
        ('measurement = "R0"', "measurement = 'R0'"),
        ('measurement = "MCC"', "none of M, M1 to M9, MC, MC1 to MC9, C, C1 to C9, CC"),
        ('framing = "8E1"', "framing = '8E1' is not allowed"),
        ("reply_within_s = 0.01", "reply_within_s = 0.01 is not allowed"),
        ('identification = ""', "identification = '' is not allowed"),
        ("retires = 3", "retires is not a known key; the nearest is retries"),
    ],
)
def test_a_wrong_key_is_named_with_what_is_allowed(keys: str, says: str) -> None:
    """One sentence each."""
    assert says in faults(probe(keys))


@pytest.mark.parametrize(
    "values, says",
    [
        ("{}", "gives nothing; give numbers of values such as { conductivity = 1"),
        ("{ conductivity = 1, temperature = 1 }", "has one number for two things"),
        ("{ conductivity = 1, temperature = 10 }", "has 10, and a measurement M has at most 9"),
        (
            "{ temperature = 1 }",
            "lacks the number of the conductivity; a probe measures conductivity itself",
        ),
        (
            "{ conductivity = 1 }",
            "lacks the number of the temperature; add that, or name the [[input]]",
        ),
        ("{ conductivity = 0, temperature = 1 }", "a whole number from 1 to 99"),
        ("{ conductivity = 1, temperature = 2, salinity = 3 }", "salinity is not a known key"),
    ],
)
def test_values_must_be_what_a_probe_needs_and_a_measurement_has(values: str, says: str) -> None:
    """Each with a number of its own."""
    wrong = MEASURED.replace("{ conductivity = 1, temperature = 2 }", values)

    assert says in faults(probe(measured=wrong))


def test_a_concurrent_measurement_has_more_values() -> None:
    """As its count has two figures."""
    keys = MEASURED.replace("temperature = 2 }", "temperature = 10 }", 1)
    text = configuration(probe('measurement = "CC"', keys))

    config = parse(text, Path("brinewright.toml"), SECTIONS)

    assert "ct-1" == config.reservoirs[0].probes[0].name


def test_probes_of_several_reservoirs_and_an_input_share_one_line() -> None:
    """They are drivers of one bus."""
    thermometer = (
        '[[input]]\nname = "thermo-1"\ndriver = "sdi12"\nport = "/dev/ttyUSB0"\naddress = "2"\n'
        'values = { temperature = 1, pump = 2 }\nunits = { temperature = "degC" }\n'
    )
    second = RESERVOIR.replace("mix-1", "mix-2") + probe('address = "1"')
    text = configuration(probe() + second + thermometer)
    drivers = assembly.probes(parse(text, Path("brinewright.toml"), SECTIONS))

    assert [Sdi12Probe] * 3 == [type(each) for each in drivers]
    assert 1 == len({id(each._bus) for each in drivers if isinstance(each, Sdi12Probe)})  # noqa: SLF001


@pytest.mark.parametrize("key", ["baud = 9600", 'framing = "8N1"', 'break_by = "adapter"'])
def test_a_line_is_shared_only_by_those_who_use_it_alike(key: str) -> None:
    """The sentence says how the other one uses it."""
    second = RESERVOIR.replace("mix-1", "mix-2") + probe(f'address = "1"\n{key}')
    wrong = faults(probe() + second)

    assert "port" in wrong
    assert "sdi12 at 1200 Bd 7E1, break by service" in wrong
