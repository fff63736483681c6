"""A unit that speaks Modbus, on a pseudo-terminal and over TCP, to put the driver to the proof."""

from __future__ import annotations

import os
import pty
import select
import socket
import time
import tty
from contextlib import suppress
from pathlib import Path

from daemon.probes.driver import Driver
from daemon.probes.modbus import ModbusProbe
from simulators.modbus import number_registers, with_crc
from tests.parts.driver_stages import ARRIVES_WITHIN_S, driver_of, waiting

KEYS = """
{way}
driver = "modbus"
unit = 7
timeout_s = 1.5
conductivity = {{ register = 0, format = "uint32", word_order = "CDAB", factor = 0.001 }}
temperature = {{ register = 2, format = "int32", word_order = "CDAB", factor = 0.001 }}
units = {{ conductivity = "mS/cm", temperature = "degC" }}
compensation = "none"
"""
READ_ALL = bytes.fromhex("03 0000 0004")
"""The one request that reads both; any other one is a check, to which it has no such registers."""
ANSWER_BYTES = 10
"""Function, number of bytes, and four registers."""


def answer(conductivity_mS_cm: float, temperature_C: float) -> bytes:
    """What a unit that holds these says to `READ_ALL`, without address and check value."""
    registers = [
        *number_registers(conductivity_mS_cm * 1000.0, "uint32", "CDAB"),
        *number_registers(temperature_C * 1000.0, "int32", "CDAB"),
    ]
    return bytes((3, 8)) + b"".join(each.to_bytes(2, "big") for each in registers)


def modbus_driver(way: str) -> ModbusProbe:
    """The driver of that unit."""
    driver = driver_of(KEYS.format(way=way))
    assert isinstance(driver, ModbusProbe)
    return driver


class OnModbusLine:
    """A unit on a serial line, at the end of a pseudo-terminal."""

    length = ANSWER_BYTES + 3

    def __init__(self, folder: Path) -> None:
        """Wire it; the link stands for the adapter's name."""
        self.link = folder / "ttyUSB0"
        self.place = str(self.link)
        self.unit = modbus_driver(f'port = "{self.place}"')
        self.driver: Driver = self.unit
        self.taken, self.said, self.pending, self.plugged = 0, 0, False, False
        self.plug()

    def message(self, _number: int, conductivity_mS_cm: float, temperature_C: float) -> bytes:
        """A frame."""
        return with_crc(bytes((7,)) + answer(conductivity_mS_cm, temperature_C))

    def may_send(self, *, due: bool) -> bool:
        """Whether a request has arrived that is not answered whole."""
        while self.plugged and self.taken < self.unit.bus.sent:
            self.taken += 1
            if not select.select([self.master], [], [], ARRIVES_WITHIN_S)[0]:
                break
            request = os.read(self.master, 8)
            assert request == with_crc(request[:-2])
            self.said, self.pending = 0, request[1:-2] == READ_ALL
            if not self.pending:
                self._write(with_crc(bytes((7, request[1] | 0x80, 2))))
        return self.plugged and self.pending and self.driver.fileno() is not None

    def say(self, piece: bytes) -> None:
        """Say it, and note whether the answer is whole."""
        self._write(piece)
        self.said += len(piece)
        self.pending = self.said < self.length

    def unplug(self) -> None:
        """Take the device away."""
        self.plugged = self.pending = False
        self.link.unlink()
        os.close(self.master)
        os.close(self.slave)

    def plug(self) -> None:
        """Give it a new device under the old name."""
        self.master, self.slave = pty.openpty()
        tty.setraw(self.slave)
        self.link.symlink_to(os.ttyname(self.slave))
        self.plugged, self.taken = True, self.unit.bus.sent

    def close(self) -> None:
        """Take all away."""
        if self.plugged:
            self.unplug()

    def _write(self, words: bytes) -> None:
        descriptor = self.driver.fileno()
        if descriptor is None:
            return
        expected = waiting(descriptor) + len(words)
        os.write(self.master, words)
        until_s = time.monotonic() + ARRIVES_WITHIN_S
        while waiting(descriptor) < expected:
            assert time.monotonic() < until_s, "the pseudo-terminal lost something"


class OnModbusHost:
    """A unit behind a TCP port of the loopback."""

    length = ANSWER_BYTES + 7
    number = b"\xab\xcd"
    """Stands in a message for the number of the request that it will answer."""

    def __init__(self, _folder: Path) -> None:
        """Begin to listen."""
        self.port = 0
        self.listening: socket.socket | None = None
        self.connection: socket.socket | None = None
        # Stands for the connection to come, so that its descriptor counts for none of the driver's.
        self.reserved: socket.socket | None = socket.socket()
        self.plug()
        self.place = f"127.0.0.1:{self.port}"
        self.unit = modbus_driver(f'host = "127.0.0.1"\ntcp_port = {self.port}')
        self.driver: Driver = self.unit
        self.taken, self.said, self.pending, self.asked = 0, 0, False, b""

    def message(self, _number: int, conductivity_mS_cm: float, temperature_C: float) -> bytes:
        """A frame."""
        data = bytes((7,)) + answer(conductivity_mS_cm, temperature_C)
        return self.number + b"\0\0" + len(data).to_bytes(2, "big") + data

    def may_send(self, *, due: bool) -> bool:
        """Whether a request has arrived that is not answered whole."""
        if self.listening is not None and select.select([self.listening], [], [], 0)[0]:
            self._forget()
            self.connection = self.listening.accept()[0]
        while self.connection is not None and self.taken < self.unit.bus.sent:
            self.taken += 1
            if not select.select([self.connection], [], [], ARRIVES_WITHIN_S)[0]:
                break
            with suppress(OSError):
                self.asked = self.connection.recv(12)
            self.said, self.pending = 0, self.asked[7:] == READ_ALL
        return self.pending and self.driver.fileno() is not None

    def say(self, piece: bytes) -> None:
        """Say it under the number of the request, and note whether the answer is whole."""
        head = bytes(
            asked if byte == stands else byte
            for byte, stands, asked in zip(
                piece, self.number[self.said :], self.asked[self.said :], strict=False
            )
        )
        words = head + piece[len(head) :]
        self.said += len(piece)
        self.pending = self.said < self.length
        descriptor = self.driver.fileno()
        if self.connection is None or descriptor is None:
            return
        expected = waiting(descriptor) + len(words)
        self.connection.sendall(words)
        until_s = time.monotonic() + ARRIVES_WITHIN_S
        while waiting(descriptor) < expected:
            assert time.monotonic() < until_s, "the loopback lost something"

    def unplug(self) -> None:
        """End the connection, and listen no more."""
        self._forget()
        if self.listening is not None:
            self.listening.close()
        self.listening, self.pending = None, False

    def plug(self) -> None:
        """Listen at the same port."""
        self.listening = socket.create_server(("127.0.0.1", self.port))
        self.port = self.listening.getsockname()[1]

    def close(self) -> None:
        """Take all away."""
        self.unplug()

    def _forget(self) -> None:
        for one in (self.connection, self.reserved):
            if one is not None:
                one.close()
        self.connection = self.reserved = None
