"""Simulated devices answer smbus2 and libgpiod as the kernel does, call by call."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import gpiod
import pytest
import smbus2
from gpiod.line import Bias, Value

from simulators.device_socket import DeviceSocket
from simulators.gpio import Chip, Contact
from simulators.i2c import FUNC_I2C, Adapter, Fault, TextInstrument
from tests.parts import device_sockets

ADDRESS = 0x64


class Time:
    """A clock that a test turns."""

    def __init__(self) -> None:
        """Begin at 0 s."""
        self.now_s = 0.0

    def __call__(self) -> float:
        """The time, s."""
        return self.now_s


@pytest.fixture
def folder() -> Iterator[Path]:
    """A folder whose path is short enough for a socket, met by everything that is loaded."""
    device_sockets.hook()
    with tempfile.TemporaryDirectory() as name:
        yield Path(name)


@pytest.fixture
def clock() -> Time:
    """The clock of the devices."""
    return Time()


@pytest.fixture
def instrument(clock: Time) -> TextInstrument:
    """A text instrument that works on a request for 0.6 s."""
    return TextInstrument(lambda: b"52123,24.51", clock)


def transfer(bus: smbus2.SMBus, message: smbus2.i2c_msg) -> bytes:
    """Carry out one message; return its bytes."""
    bus.i2c_rdwr(message)
    return bytes(message)


def test_a_request_is_answered_once_it_has_been_worked_on(
    folder: Path, clock: Time, instrument: TextInstrument
) -> None:
    """Pending, then the text with zeros behind it, then nothing more."""
    read = smbus2.i2c_msg.read
    with DeviceSocket(folder / "i2c-1", Adapter({ADDRESS: instrument})):
        bus = smbus2.SMBus(str(folder / "i2c-1"))
        transfer(bus, smbus2.i2c_msg.write(ADDRESS, b"R"))
        early = transfer(bus, read(ADDRESS, 14))
        clock.now_s = 0.7
        answer, after = transfer(bus, read(ADDRESS, 14)), transfer(bus, read(ADDRESS, 14))
        bus.close()

    assert b"\xfe" + bytes(13) == early
    assert b"\x0152123,24.51\x00\x00" == answer
    assert b"\xff" + bytes(13) == after


def test_transfers_of_smbus_reach_the_same_instrument(
    folder: Path, instrument: TextInstrument
) -> None:
    """A byte, and a block after a command."""
    adapter = Adapter({ADDRESS: instrument})
    with DeviceSocket(folder / "i2c-1", adapter):
        bus = smbus2.SMBus(str(folder / "i2c-1"))
        byte = bus.read_byte(ADDRESS)
        block = bus.read_i2c_block_data(ADDRESS, ord("R"), 3)
        bus.close()

    assert (0xFF, [0xFE, 0, 0]) == (byte, block)
    assert (ADDRESS, False, b"R") in adapter.transfers


@pytest.mark.parametrize(
    "fault, number", [("no-acknowledge", errno.EREMOTEIO), ("time-out", errno.ETIMEDOUT)]
)
def test_a_bus_that_fails_gives_the_kernel_s_error(
    folder: Path, instrument: TextInstrument, fault: Fault, number: int
) -> None:
    """As the drivers of adapters do."""
    instrument.fault = fault
    with DeviceSocket(folder / "i2c-1", Adapter({ADDRESS: instrument})):
        bus = smbus2.SMBus(str(folder / "i2c-1"))
        with pytest.raises(OSError, match=os.strerror(number)):
            bus.i2c_rdwr(smbus2.i2c_msg.write(ADDRESS, b"R"))
        bus.close()


def test_an_adapter_that_was_taken_away_is_gone_for_whoever_has_it_open(folder: Path) -> None:
    """And there is no such file for whoever opens it next, until it is back."""
    path = folder / "i2c-1"
    with DeviceSocket(path, Adapter()) as device:
        bus = smbus2.SMBus(str(path))
        device.unplug()
        with pytest.raises(OSError, match="No such device"):
            bus.i2c_rdwr(smbus2.i2c_msg.write(ADDRESS, b"R"))
        bus.close()
        with pytest.raises(FileNotFoundError):
            smbus2.SMBus(str(path))
        device.plug()
        smbus2.SMBus(str(path)).close()


def test_a_contact_is_read_by_name_after_its_debounce_time(folder: Path, clock: Time) -> None:
    """A closed contact pulls the line low, which is active for a line that is active low."""
    contact = Contact("pump")
    path = folder / "gpiochip0"
    chip = Chip("gpiochip0", "header", [Contact("other"), contact], clock)
    settings = gpiod.LineSettings(
        active_low=True, bias=Bias.PULL_UP, debounce_period=timedelta(milliseconds=50)
    )
    with DeviceSocket(path, chip):
        with gpiod.Chip(str(path)) as opened:
            info = opened.get_info()
            request = opened.request_lines({"pump": settings}, consumer="brinewright")
        values = [request.get_value("pump")]
        contact.closed = True
        values.append(request.get_value("pump"))
        clock.now_s += 0.06
        values.append(request.get_value("pump"))
        request.release()

    assert ("gpiochip0", "header", 2) == (info.name, info.label, info.num_lines)
    assert [Value.INACTIVE, Value.INACTIVE, Value.ACTIVE] == values


def test_a_whole_process_meets_the_devices_by_preloading(folder: Path) -> None:
    """Without a line of its own about them."""
    words = f"import smbus2; print(int(smbus2.SMBus('{folder / 'i2c-1'}').funcs))"
    preload = {**os.environ, "LD_PRELOAD": str(device_sockets.compiled(folder))}
    with DeviceSocket(folder / "i2c-1", Adapter(functions=FUNC_I2C)):
        done = subprocess.run(
            [sys.executable, "-c", words], env=preload, capture_output=True, text=True, check=False
        )

    assert ("", f"{FUNC_I2C}\n") == (done.stderr, done.stdout)


def test_other_files_and_calls_stay_the_kernel_s(folder: Path) -> None:
    """A file, a folder that is missing, and a terminal."""
    (folder / "text").write_text("water", encoding="utf-8")

    assert "water" == (folder / "text").read_text(encoding="utf-8")
    with pytest.raises(FileNotFoundError):
        os.open(folder / "nothing", os.O_RDONLY)
    primary, secondary = os.openpty()
    assert os.get_terminal_size(secondary) == os.get_terminal_size(primary)
    os.close(primary)
    os.close(secondary)
