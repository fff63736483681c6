"""The driver of text instruments on I2C, over smbus2 and system calls, to a simulated bus."""

from __future__ import annotations

import errno
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from daemon.config import ConfigError
from simulators.device_socket import DeviceSocket
from simulators.i2c import Adapter, Fault, TextInstrument
from tests.conftest import wait_until
from tests.parts import device_sockets
from tests.parts.device_bench import DeviceBench, faults, values

KEYS = """
[[reservoir.probe]]
name = "{name}"
driver = "i2c"
bus = "{bus}"
address = {address}
request = "R"
status = {{ data = 1, pending = 254, nothing = 255, error = 2 }}
reply = '(?P<conductivity>\\d+),(?P<temperature>\\d+\\.\\d\\d)'
units = {{ conductivity = "uS/cm", temperature = "degC" }}
compensation = "none"
"""
VALUE = (52.123, 24.51, None)


class Bus:
    """A simulated bus, and the drivers of what is on it.

    Attributes:
        path: Of the bus.
        bench: The drivers and the clock.
        adapter: What is on the bus.
        device: How it is there.
    """

    def __init__(self, folder: Path) -> None:
        """Put a bus there with one instrument."""
        self.path, self.bench = folder / "i2c-1", DeviceBench()
        self.instrument = self.another(b"52123,24.51")
        self.adapter = Adapter({0x64: self.instrument})
        self.device = DeviceSocket(self.path, self.adapter)

    def another(self, text: bytes) -> TextInstrument:
        """An instrument that says this text."""
        return TextInstrument(lambda: text, self.bench.clock)

    def section(self, name: str = "ct-1", address: str = "0x64", more: str = "") -> str:
        """The section of an instrument of the bus."""
        return KEYS.format(name=name, bus=self.path, address=address) + more


@pytest.fixture
def bus() -> Iterator[Bus]:
    """A bus in a folder whose path is short enough for a socket."""
    device_sockets.hook()
    with tempfile.TemporaryDirectory() as folder:
        one = Bus(Path(folder))
        with one.device:
            yield one
            one.bench.close()


def test_an_instrument_is_read_once_a_period(bus: Bus) -> None:
    """Its text is converted by the units of the section, and kept as it said it."""
    bus.bench.add_probes(bus.section())
    samples = bus.bench.run(9.0)

    assert [VALUE] * 5 == values(samples)
    assert {"52123,24.51"} == {each.spoken for each in samples}
    assert [100.6, 102.6] == pytest.approx([each.at.mono_s for each in samples[:2]], abs=0.06)
    # It measures when it is asked.
    ages_s = [(each.conductivity_age_s, each.temperature_age_s) for each in samples]
    assert [(0.6, 0.6)] * 5 == [pytest.approx(each, abs=0.06) for each in ages_s]


def test_a_second_instrument_is_read_while_the_first_one_works(bus: Bus) -> None:
    """Between a request and its read, the bus is free for the others."""
    bus.adapter.slaves[0x65] = bus.another(b"1000,20.00")
    bus.bench.add_probes(bus.section() + bus.section("ct-2", "0x65"))
    samples = bus.bench.run(1.0)
    words = [
        (address, read) for address, read, data in bus.adapter.transfers if data[:1] != b"\xff"
    ]

    assert [(0x64, False), (0x65, False), (0x64, True), (0x65, True)] == words
    assert [VALUE, (1.0, 20.0, None)] == values(samples)


def test_an_instrument_that_is_off_keeps_nothing_from_another(bus: Bus) -> None:
    """Nobody acknowledges at its address, and the bus goes on."""
    bus.bench.add_probes(bus.section("ct-2", "0x66") + bus.section())
    samples = bus.bench.run(9.0)
    off = [each for each in samples if each.probe == "ct-2"]

    assert [VALUE] * 5 == values(samples)
    assert "nothing answers at 0x66" in faults(off)[0]


def test_a_thermometer_on_the_bus_is_an_input(bus: Bus) -> None:
    """It gives temperature alone, in °C whatever its unit."""
    text = bus.section().replace("[[reservoir.probe]]", "[[input]]").replace("uS/cm", "mS/cm")
    text = text.replace("(?P<conductivity>\\d+),", "").replace('conductivity = "mS/cm", ', "")
    text = text.replace('"degC"', '"degF"').replace('compensation = "none"\n', "")
    bus.instrument.speak = lambda: b"77.00"
    probe = '[[reservoir.probe]]\nname = "ct-9"\ndriver = "recorded"\npath = "rows.csv"\n'
    bus.bench.add_inputs(probe + text)

    ((conductivity, water_C, pump),) = values(bus.bench.run(1.0))
    assert (None, None) == (conductivity, pump)
    assert 25.0 == pytest.approx(water_C)


def test_an_instrument_that_still_works_is_read_again(bus: Bus) -> None:
    """A reading that comes late is none that is missing."""
    bus.instrument.works_s = 1.5
    bus.bench.add_probes(bus.section())
    samples = bus.bench.run(4.0)

    assert [VALUE] * 2 == values(samples)
    assert [] == faults(samples)


def test_an_answer_that_came_too_late_is_not_taken_for_the_next_one(bus: Bus) -> None:
    """What lies ready from the request before is read and thrown away."""
    spoken = iter(range(100))
    bus.instrument.speak = lambda: b"%d,20.00" % next(spoken)
    bus.instrument.works_s = 1.5
    bus.bench.add_probes(bus.section(more="timeout_s = 1.0\n"))
    late = bus.bench.run(2.0)
    bus.instrument.works_s = 0.6
    samples = bus.bench.run(2.0)

    assert [] == values(late)
    assert "still works on the request" in faults(late)[0]
    assert [(0.001, 20.0, None)] == values(samples)


def test_an_answer_from_before_the_start_is_thrown_away(bus: Bus) -> None:
    """The service is started again while an answer lies ready."""
    spoken = iter(range(100))
    bus.instrument.speak = lambda: b"%d,20.00" % next(spoken)
    bus.instrument.write(b"R")
    bus.bench.run(1.0)
    bus.bench.add_probes(bus.section())

    assert [(0.001, 20.0, None)] == values(bus.bench.run(1.0))


@pytest.mark.parametrize(
    "fault, says",
    [
        ("no-acknowledge", "nothing answers at 0x64"),
        ("time-out", "the bus fails at 0x64"),
        ("cut", "unreadable answer of 0x64"),
        ("garbage", "0x64"),
        ("always-pending", "still works on the request 2 s after it"),
        ("stale-status", "gives no text after the request"),
    ],
)
def test_what_goes_wrong_is_a_fault_and_never_a_value(bus: Bus, fault: Fault, says: str) -> None:
    """A sentence with what to do; and readings again within two periods after it is over."""
    bus.instrument.fault = fault
    bus.instrument.works_s = 1.0
    bus.bench.add_probes(bus.section())
    wrong = bus.bench.run(20.0)
    bus.instrument.fault, bus.instrument.works_s = "", 0.6
    right = bus.bench.run(4.0)

    assert [] == values(wrong)
    assert 3 <= len(faults(wrong)) <= 5
    assert all(says in each and "; " in each for each in faults(wrong))
    assert VALUE in values(right)


def test_a_request_that_is_not_understood_says_so(bus: Bus) -> None:
    """The instrument has a byte for that."""
    bus.instrument.request = b"READ"
    bus.bench.add_probes(bus.section())

    (said,) = faults(bus.bench.run(1.0))
    assert "does not understand the request b'R' (status 2); correct request" in said


def test_a_status_that_nobody_declared_is_a_fault(bus: Bus) -> None:
    """Text behind it may be of anything."""
    bus.instrument.data = 7
    bus.bench.add_probes(bus.section())
    samples = bus.bench.run(1.0)

    assert [] == values(samples)
    assert "gives status 7, which is none of the status bytes" in faults(samples)[0]


def test_a_bus_that_hangs_delays_only_its_own_probes(bus: Bus) -> None:
    """Another bus is read on time, no call waits, and the bus is read again once it is free."""
    with tempfile.TemporaryDirectory() as folder:
        other = Bus(Path(folder))
        with other.device:
            other.bench.close()
            other.instrument.clock = bus.bench.clock
            bus.bench.add_probes(bus.section() + other.section("ct-2"))
            bus.instrument.fault = "stuck"
            bus.bench.hanging = {0}
            samples = bus.bench.run(20.0)
            bus.instrument.fault = ""
            bus.device.release()
            wait_until(lambda: not bus.device.parked, "the bus to be free")
            bus.bench.hanging = set()
            after = bus.bench.run(4.0)
            bus.bench.close()
    hung = [each for each in samples if each.probe == "ct-1"]
    free = [each for each in samples if each.probe == "ct-2"]

    assert [VALUE] * 10 == values(free)
    assert [] == values(hung)
    assert all("does not end" in each for each in faults(hung))
    assert bus.bench.slowest_s < 0.5
    assert VALUE in values([each for each in after if each.probe == "ct-1"])


def test_a_read_that_returns_after_it_was_given_up_is_no_value(bus: Bus) -> None:
    """What it brings is of a request that counts as unanswered already."""
    bus.bench.add_probes(bus.section(more="period_s = 10\ntimeout_s = 2.0\n"))
    bus.bench.run(0.3)
    bus.instrument.fault, bus.bench.hanging = "stuck", {0}
    hung = bus.bench.run(3.0)
    bus.instrument.fault = ""
    bus.device.release()
    wait_until(lambda: not bus.device.parked, "the bus to be free")
    wait_until(lambda: (0x64, True) in [each[:2] for each in bus.adapter.transfers], "the read")
    late = bus.bench.run(3.0)
    bus.bench.hanging = set()
    after = bus.bench.run(6.0)

    assert 1 == len(faults(hung))
    assert ([], []) == (values(late), faults(late))
    assert [VALUE] == values(after)


def test_an_adapter_may_go_and_come_back_a_hundred_times(bus: Bus) -> None:
    """Each time there is a fault or none was due, and a reading within two periods."""
    bus.bench.add_probes(bus.section())
    bus.bench.run(1.0)
    for _ in range(100):
        bus.device.unplug()
        gone = bus.bench.run(2.0)
        bus.device.plug()
        back = bus.bench.run(4.0)

        assert [] == values(gone)
        assert VALUE in values(back)
    assert any("there is no such device; enable I2C" in each for each in faults(bus.bench.samples))


class Barred(Adapter):
    """An adapter that a program may not open."""

    number = errno.EACCES

    def open(self, handle: bytes, call: int, body: bytes) -> bytes:
        """Refuse."""
        raise OSError(self.number, "refused")


@pytest.mark.parametrize(
    "number, says",
    [
        (errno.EACCES, "no permission; sudo usermod -aG "),
        (errno.EPERM, "the service may not open it; sudo systemctl restart brinewright-measure"),
    ],
)
def test_missing_rights_are_told_with_what_to_do(bus: Bus, number: int, says: str) -> None:
    """Those of the device, and those of the service."""
    barred = Barred()
    barred.number = number
    bus.device.device = barred
    bus.bench.add_probes(bus.section())

    (said,) = faults(bus.bench.run(1.0))
    assert f"bus {bus.path} for 0x64 on {bus.path}: {says}" in said


def test_a_file_that_is_no_bus_is_told_so(bus: Bus) -> None:
    """The kernel knows no such call for it."""
    bus.device.unplug()
    bus.path.touch()
    bus.bench.add_probes(bus.section())

    (said,) = faults(bus.bench.run(1.0))
    assert f"{bus.path} does not carry I2C transfers" in said


def test_an_instrument_without_status_and_request_is_only_read(bus: Bus) -> None:
    """Its text begins with the first byte."""
    text = bus.section().replace('request = "R"\n', "").split("status", 1)
    bus.instrument.has_status = False
    bus.instrument.write(b"R")
    bus.bench.run(1.0)
    bus.bench.add_probes(text[0] + text[1].split("\n", 1)[1])

    assert [VALUE] == values(bus.bench.run(1.0))
    assert not any(not read for _, read, _ in bus.adapter.transfers)


@pytest.mark.parametrize(
    "right, wrong, says",
    [
        ("address = 0x64", "address = 0x78", "address = 120 is not allowed; give an address"),
        ("address = 0x64", "address = 7", "address = 7 is not allowed"),
        ("pending = 254", "pending = 1", "gives 1 for both data and pending"),
        ('request = "R"', 'request = "R"\nwait_s = 2.0', "leaves no 0.05 s for the read"),
        ('request = "R"', 'request = "R"\ntimeout_s = 3.0', "must not be above period_s = 2"),
        ('request = "R"', 'request = "°"', "request = '°' is not allowed"),
        ('request = "R"', 'request = "R"\nread_bytes = 256', "read_bytes = 256 is not allowed"),
    ],
)
def test_a_wrong_key_is_a_sentence(bus: Bus, right: str, wrong: str, says: str) -> None:
    """What is allowed, or what must hold between two."""
    with pytest.raises(ConfigError) as caught:
        bus.bench.add_probes(bus.section().replace(right, wrong))

    assert any(says in each for each in caught.value.faults)


def test_a_bus_is_shared_and_an_address_is_not(bus: Bus) -> None:
    """By number or by path, it is the same bus."""
    numbered = bus.section().replace(f'bus = "{bus.path}"', "bus = 1")
    same = bus.section("ct-2").replace(str(bus.path), "/dev/i2c-1")
    with pytest.raises(ConfigError) as caught:
        bus.bench.add_probes(numbered + same)
    bus.bench.add_probes(numbered + same.replace("0x64", "0x65"))

    (said,) = caught.value.faults
    assert "address = 100 is address 0x64 of /dev/i2c-1, which probe ct-1 of" in said
    assert 2 == len(bus.bench.drivers)
