"""The keys of a Modbus unit, and each way in which they cannot go together."""

from __future__ import annotations

from pathlib import Path

import pytest

from daemon.assembly import probes
from daemon.config import ConfigError, parse
from daemon.probes.modbus import ModbusProbe, ModbusSettings, Point, SwitchPoint
from daemon.probes.registry import SECTIONS
from daemon.wire.modbus_values import Form
from tests.parts.configurations import configuration

RTU = 'port = "/dev/ttyUSB0"\n'
TCP = 'host = "192.0.2.7"\n'
FLOAT = 'format = "float32", word_order = "ABCD"'
CONDUCTIVITY = f"conductivity = {{ register = 0, {FLOAT} }}\n"
TEMPERATURE = f"temperature = {{ register = 2, {FLOAT} }}\n"
UNITS = 'units = { conductivity = "mS/cm", temperature = "degC" }\ncompensation = "none"\n'
REST = f"unit = 7\n{CONDUCTIVITY}{TEMPERATURE}{UNITS}"
PROBE = "reservoir[mix-1].probe[ct-1]"


def probe(keys: str, name: str = "ct-1") -> str:
    """A section of a probe."""
    return f'[[reservoir.probe]]\nname = "{name}"\ndriver = "modbus"\n{keys}'


def faults(text: str) -> list[str]:
    """What is wrong with a configuration."""
    try:
        parse(configuration(text), Path("brinewright.toml"), SECTIONS)
    except ConfigError as exc:
        return list(exc.faults)
    return []


@pytest.mark.parametrize(
    "keys",
    [
        RTU + REST,
        TCP + REST,
        TCP + "tcp_port = 1502\n" + REST.replace("unit = 7", "unit = 255"),
        RTU + 'baud = 19200\nparity = "E"\nstopbits = 2\ntimeout_s = 0.2\nperiod_s = 0.5\n' + REST,
        RTU + REST + "pump = { register = 8, function = 4, bit = 15 }\n",
        RTU + REST.replace(FLOAT, 'format = "int16", factor = 0.01, offset = -40'),
    ],
)
def test_a_right_section_has_no_fault(keys: str) -> None:
    """A line or a host, with the keys of each."""
    assert [] == faults(probe(keys))


@pytest.mark.parametrize(
    "keys, said",
    [
        (REST, "port is missing; give a serial device such as '/dev/ttyUSB0', or host for TCP"),
        (
            RTU + TCP + REST,
            "host … stands beside port; a unit is on a serial line or behind a host",
        ),
        (
            TCP + "baud = 9600\n" + REST,
            "baud … is for a serial line and stands beside host; leave it",
        ),
        (TCP + 'parity = "E"\n' + REST, "parity … is for a serial line and stands beside host"),
        (TCP + "stopbits = 2\n" + REST, "stopbits … is for a serial line and stands beside host"),
        (
            RTU + "tcp_port = 502\n" + REST,
            "tcp_port … is for a host and stands beside port; leave it",
        ),
        (RTU + "bytesize = 7\n" + REST, "bytesize is not a known key"),
        (
            RTU + REST.replace("unit = 7", "unit = 0"),
            "unit = 0 … must be from 1 to 247 on a serial line",
        ),
        (
            RTU + REST.replace("unit = 7", "unit = 248"),
            "unit = 248 … must be from 1 to 247 on a serial",
        ),
        (
            RTU + REST.replace("unit = 7\n", ""),
            "unit is missing; give a whole number from 0 to 255",
        ),
        (RTU + "unit = 7\n", "conductivity is missing, and so are temperature and pump; give the"),
        (RTU + REST.replace(CONDUCTIVITY, ""), "conductivity is missing; give a table such as"),
        (RTU + REST.replace(TEMPERATURE, ""), "temperature"),
        (RTU + REST.replace(UNITS, ""), "units is missing"),
        (RTU + "timeout_s = 3\n" + REST, "timeout_s … must not be above period_s = 2 seconds"),
        (
            RTU + REST.replace(', word_order = "ABCD" }\nt', " }\nt"),
            "conductivity.word_order is missing; a number of 32 bits needs one of 'ABCD'",
        ),
        (
            RTU + REST.replace("float32", "uint16"),
            "conductivity.word_order … is for a number of 32 bits and stands beside a format of 16",
        ),
        (
            RTU + REST.replace("register = 0", "register = 65535"),
            "conductivity.register … must be below 65535: a number of 32 bits takes the next one",
        ),
        (
            RTU + REST.replace('"ABCD" }\nt', '"ABCD", factor = 0 }\nt'),
            "conductivity.factor … must not be 0, which makes every number the same",
        ),
        (RTU + REST.replace("register = 2", "register = -1"), "temperature.register = -1 is not"),
        (RTU + REST.replace("register = 2, ", ""), "temperature.register is missing; give a whole"),
        (RTU + REST.replace("register = 2", "first = 2"), "temperature.first is not a known key"),
        (
            RTU + REST.replace('"ABCD" }\nt', '"DABC" }\nt'),
            "conductivity.word_order = 'DABC' is not",
        ),
        (
            RTU + REST.replace('"float32"', '"float64"'),
            "format = 'float64' is not allowed; give one",
        ),
        (RTU + REST + "pump = { register = 8, bit = 16 }\n", "pump.bit = 16 is not allowed"),
        (
            RTU + REST + "pump = { register = 8, function = 1 }\n",
            "pump.function = 1 is not allowed",
        ),
    ],
)
def test_what_cannot_be_is_a_sentence(keys: str, said: str) -> None:
    """The key, what is wrong with it, and what could be."""
    found = faults(probe(keys))

    assert any(all(piece in each for piece in said.split(" … ")) for each in found), found
    assert all(PROBE in each for each in found)


def test_units_of_one_line_must_agree_on_how_it_is_set() -> None:
    """Two speeds on one line cannot be; the same one can, in whichever reservoir or input."""
    first, second = probe(RTU + REST), probe(RTU + REST.replace("unit = 7", "unit = 8"), "ct-2")
    other_speed = second.replace(RTU, RTU + "baud = 19200\n")
    on_host = second.replace(RTU, TCP)
    on_line = second.replace('driver = "modbus"\n', 'driver = "line"\nreply = ".*"\n')

    assert [] == faults(first + second)
    assert [] == faults(first + on_host)
    assert any("probe[ct-2].port" in each for each in faults(first + other_speed))
    assert any("probe[ct-2].port" in each for each in faults(first + on_line))


def test_drivers_of_one_line_share_one_bus() -> None:
    """And those of another line, or of a host, have their own."""
    second = probe(RTU + REST.replace("unit = 7", "unit = 8"), "ct-2")
    third = probe(TCP + REST, "ct-3")
    text = configuration(probe(RTU + REST) + second + third)
    config = parse(text, Path("brinewright.toml"), SECTIONS)
    made = probes(config)
    buses = [each.bus for each in made if isinstance(each, ModbusProbe)]

    assert 3 == len(buses)
    assert buses[0] is buses[1]
    assert buses[0] is not buses[2]
    assert ["/dev/ttyUSB0", "192.0.2.7:502"] == [buses[0].place, buses[2].place]


def test_a_section_behind_a_host_needs_a_network() -> None:
    """One on a line needs none."""
    needs = []
    for way in (RTU, TCP):
        config = parse(configuration(probe(way + REST)), Path("brinewright.toml"), SECTIONS)
        needs.append(config.reservoirs[0].probes[0].needs_network)

    assert [False, True] == needs


def requests(
    conductivity: Point | None, temperature: Point | None, pump: SwitchPoint | None = None
) -> list[tuple[int, int, int]]:
    """Function, first register and number of what is read for these."""
    settings = ModbusSettings("mix-1", "ct-1", 7, conductivity, temperature, pump)
    made = settings.requests()
    assert {7} == {each.unit for each in made}
    return [(each.function, each.first, each.count) for each in made]


def test_registers_that_follow_one_another_are_read_in_one_request() -> None:
    """Whatever their order and overlap; a gap, or another function, makes another one."""
    short, long = Form("int16"), Form("float32")

    assert [(3, 0, 4)] == requests(Point(3, 0, long), Point(3, 2, long))
    assert [(3, 0, 4)] == requests(Point(3, 2, long), Point(3, 0, long))
    assert [(3, 5, 3)] == requests(Point(3, 6, long), None, SwitchPoint(3, 5))
    assert [(3, 0, 2)] == requests(Point(3, 0, long), Point(3, 1, short))
    assert [(3, 0, 2), (3, 3, 1)] == requests(Point(3, 0, long), Point(3, 3, short))
    assert [(3, 0, 2), (4, 2, 1)] == requests(Point(3, 0, long), Point(4, 2, short))
    assert [(4, 65_535, 1)] == requests(None, Point(4, 65_535, short))
