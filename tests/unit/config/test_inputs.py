"""Thermometers and pump contacts that stand on their own, and probes that name them."""

from __future__ import annotations

from pathlib import Path

import pytest

from daemon.config import ConfigError, Probe, parse
from daemon.probes.registry import SECTIONS
from tests.parts.configurations import configuration

FILE = Path("brinewright.toml")
CELL = """
[[reservoir.probe]]
name = "ct-1"
driver = "line"
port = "/dev/ttyUSB0"
reply = '(?P<conductivity>[\\d.]+)'
units = {{ conductivity = "mS/cm" }}
compensation = "none"
{more}
"""
THERMOMETER = """
[[input]]
name = "{name}"
driver = "line"
port = "{port}"
reply = '(?P<temperature>[\\d.]+)'
units = {{ temperature = "degC" }}
"""


def thermometer(name: str = "thermo-1", port: str = "/dev/ttyUSB1") -> str:
    """The section of an input."""
    return THERMOMETER.format(name=name, port=port)


def faults(text: str) -> str:
    """What is wrong with a text, in one."""
    with pytest.raises(ConfigError) as caught:
        parse(text, FILE, SECTIONS)
    return " ".join(caught.value.faults)


def test_a_probe_takes_its_temperature_from_an_input() -> None:
    """Both are read, each as its driver wants it, without the keys of a probe for the input."""
    cell = CELL.format(more='temperature_from = "thermo-1"')
    config = parse(configuration(cell + thermometer()), FILE, SECTIONS)
    (given,) = config.inputs

    assert "thermo-1" == config.reservoirs[0].probes[0].temperature_from
    assert ("thermo-1", "line", 2.0) == (given.name, given.driver, given.period_s)
    assert not isinstance(given, Probe)


def test_a_probe_without_a_temperature_is_refused() -> None:
    """The sentence names the two ways to have one."""
    wrong = faults(configuration(CELL.format(more="")))

    assert "reply" in wrong
    assert "lacks the named group (?P<temperature>...)" in wrong
    assert "temperature_from" in wrong


def test_an_input_cannot_measure_a_probes_conductivity() -> None:
    """Which a probe measures itself."""
    cell = CELL.format(more='temperature_from = "thermo-1"').replace("conductivity>", "pump>")
    wrong = faults(configuration(cell + thermometer()))

    assert "lacks the named group (?P<conductivity>...)" in wrong


def test_an_input_that_is_not_there_is_named_with_those_that_are() -> None:
    """So is one that gives something else."""
    cell = CELL.format(more='temperature_from = "thermo-9"')
    wrong = faults(configuration(cell + thermometer(), reservoir='pump_from = "thermo-1"\n'))

    assert "temperature_from = 'thermo-9' is the name of no [[input]]; there are thermo-1" in wrong
    assert "pump_from = 'thermo-1' is an [[input]] that gives no pump" in wrong


def test_two_inputs_have_two_names_and_two_ports() -> None:
    """What one alone can use is named once, whether by a probe or by an input."""
    cell = CELL.format(more='temperature_from = "thermo-1"')
    wrong = faults(configuration(cell + thermometer(port="/dev/ttyUSB0") + thermometer()))

    assert "input[thermo-1].name = 'thermo-1' is already the name of input 1" in wrong
    assert "'/dev/ttyUSB0' is the port of probe ct-1 of reservoir mix-1 already" in wrong


def test_a_unit_is_wanted_for_what_is_given_and_for_nothing_else() -> None:
    """A thermometer needs no unit of conductivity, and no word on compensation."""
    cell = CELL.format(more='temperature_from = "thermo-1"')
    unitless = thermometer().replace('temperature = "degC"', "")
    wrong = faults(configuration(cell + unitless))

    assert "input[thermo-1].units = {} lacks temperature, which this instrument gives" in wrong
    assert 1 == wrong.count("brinewright.toml:")


def test_compensation_needs_the_thermometer_that_it_was_made_with() -> None:
    """Another thermometer did not make it, so it cannot undo it."""
    rule = "{ linear_percent_per_C = 2.0, reference_C = 25 }"
    cell = CELL.format(more='temperature_from = "thermo-1"').replace('"none"', rule)
    wrong = faults(configuration(cell + thermometer()))

    assert "cannot be undone without the temperature by the same instrument" in wrong
    missing = CELL.format(more="").replace('compensation = "none"', "")
    assert "compensation is missing; give 'none'" in faults(configuration(missing))


def test_what_is_wrong_with_an_input_comes_with_all_other_faults() -> None:
    """A key that its driver does not have is named with the nearest."""
    wrong = faults(configuration(thermometer() + "prot = 1\n", station='naem = "x"\n'))

    assert "input[thermo-1].prot is not a known key; the nearest is port" in wrong
    assert "station.naem is not a known key" in wrong


def test_who_does_not_read_probes_reads_the_rest() -> None:
    """The publishing process knows no driver, and passes over the keys of each."""
    cell = CELL.format(more='temperature_from = "thermo-1"')
    config = parse(configuration(cell + thermometer()), FILE)

    assert ["thermo-1"] == [each.name for each in config.inputs]
