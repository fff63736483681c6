"""Instruments on which a driver shows what it owes: on a pseudo-terminal, and in a file."""

from __future__ import annotations

import fcntl
import os
import pty
import select
import struct
import sys
import termios
import time
import tty
from datetime import UTC, datetime, timedelta
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path
from typing import Any, Final, Protocol

from daemon.config import parse
from daemon.config.probe import Quantity
from daemon.probes import registry
from daemon.probes.driver import Buses, Driver, DriverKind
from daemon.probes.registry import SECTIONS
from tests.parts.configurations import configuration

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
PERIOD_S = 2.0
NAMES: Final = ("mix-1", "ct-1")
INPUT_NAMES: Final = ("", "input-1")
BOTH: Final = frozenset[Quantity]({"conductivity", "temperature"})
ARRIVES_WITHIN_S = 5.0

FILE = configuration("""
[[reservoir.probe]]
name = "ct-1"
period_s = 2
""")
CELL_ELSEWHERE = """
driver = "line"
port = "/dev/ttyUSB9"
reply = '(?P<conductivity>[\\d.]+)'
units = { conductivity = "mS/cm" }
compensation = "none"
temperature_from = "input-1"
[[input]]
name = "input-1"
period_s = 2
"""
LINE_KEYS = """
driver = "line"
port = "{place}"
reply = '(?P<conductivity>[\\d.]+),(?P<temperature>[\\d.]+)'
units = {{ conductivity = "mS/cm", temperature = "degC" }}
compensation = "none"
"""
MEASURED = 'units = { conductivity = "mS/cm", temperature = "degC" }\ncompensation = "none"\n'
GUIDE = Path(__file__).parents[2] / "deploy/guides/driver.md"


def driver_of(keys: str) -> Driver:
    """A probe's driver as a configuration makes it."""
    config = parse(FILE + keys, Path("brinewright.toml"), SECTIONS)
    return registry.make(NAMES[0], config.reservoirs[0].probes[0], Buses())


def input_of(keys: str) -> Driver:
    """The driver of an input that gives a probe its temperature, likewise."""
    config = parse(FILE + CELL_ELSEWHERE + keys, Path("brinewright.toml"), SECTIONS)
    return registry.make(INPUT_NAMES[0], config.inputs[0], Buses())


class Stage(Protocol):
    """A driver together with its instrument.

    One that has other names than `NAMES`, or does not measure both, says so by `names` and
    `gives`.
    """

    @property
    def driver(self) -> Driver:
        """The driver."""

    @property
    def place(self) -> str:
        """How the configuration says where the instrument is."""

    def message(self, number: int, conductivity_mS_cm: float, temperature_C: float) -> bytes:
        """What the instrument says for its reading of that number, counted from 0."""

    def say(self, piece: bytes) -> None:
        """Have the instrument say something, and return when it has arrived."""

    def may_send(self, *, due: bool) -> bool:
        """Whether the instrument may say its next reading now; `due` after the driver acted."""

    def unplug(self) -> None:
        """Take the instrument away."""

    def plug(self) -> None:
        """Put it back."""


class Talking:
    """An instrument on a serial line that talks by itself, at the end of a pseudo-terminal."""

    request = ""

    def __init__(self, folder: Path) -> None:
        """Wire it; the link stands for the adapter's name."""
        self.link = folder / "ttyUSB0"
        self.place = str(self.link)
        self.plug()
        self.driver = driver_of(LINE_KEYS.format(place=self.place) + self.request)

    def message(self, _number: int, conductivity_mS_cm: float, temperature_C: float) -> bytes:
        """A line."""
        return f"{conductivity_mS_cm},{temperature_C}\r\n".encode()

    def say(self, piece: bytes) -> None:
        """Write, and wait until the other end has all of it."""
        descriptor = self.driver.fileno()
        if not self.plugged or descriptor is None:
            return
        expected = waiting(descriptor) + len(piece)
        os.write(self.master, piece)
        until_s = time.monotonic() + ARRIVES_WITHIN_S
        while waiting(descriptor) < expected:
            assert time.monotonic() < until_s, "the pseudo-terminal lost something"

    def may_send(self, *, due: bool) -> bool:
        """It needs no asking, but a listener."""
        return self.driver.fileno() is not None

    def unplug(self) -> None:
        """Take the device away."""
        self.plugged = False
        self.link.unlink()
        os.close(self.master)
        os.close(self.slave)

    def plug(self) -> None:
        """Give it a new device under the old name."""
        self.master, self.slave = pty.openpty()
        tty.setraw(self.slave)
        self.link.symlink_to(os.ttyname(self.slave))
        self.plugged = True

    def close(self) -> None:
        """Take all away."""
        if self.plugged:
            self.unplug()


class Polled(Talking):
    """An instrument on a serial line that answers a request."""

    request = 'request = "READ?\\n"\n'
    pending = False

    def may_send(self, *, due: bool) -> bool:
        """Whether a request has arrived that is not answered whole."""
        if not self.plugged or self.driver.fileno() is None:
            self.pending = False
        elif due and select.select([self.master], [], [], 1.0)[0]:
            self.pending = os.read(self.master, 100) == b"READ?\n"
        return self.pending

    def say(self, piece: bytes) -> None:
        """Answer, or begin to."""
        super().say(piece)
        self.pending = not piece.endswith(b"\n")


class Playing:
    """A recording that grows, as an instrument's own program writes it."""

    def __init__(self, folder: Path) -> None:
        """Begin the file."""
        self.path = folder / "rows.csv"
        self.place = str(self.path)
        self.rows = 0
        self.driver = driver_of(f'driver = "recorded"\npath = "{self.path}"\n')
        self.plug()

    def message(self, number: int, conductivity_mS_cm: float, temperature_C: float) -> bytes:
        """A row, one period after the one before it."""
        wall = NOON + timedelta(seconds=PERIOD_S * number)
        return f"{wall.isoformat()},{conductivity_mS_cm},{temperature_C}\r\n".encode()

    def say(self, piece: bytes) -> None:
        """Append it."""
        if self.path.exists():
            with self.path.open("ab") as file:
                file.write(piece)

    def may_send(self, *, due: bool) -> bool:
        """It needs no asking."""
        return True

    def unplug(self) -> None:
        """Take the file away."""
        self.path.unlink()

    def plug(self) -> None:
        """Begin a new one."""
        self.path.write_text("time,conductivity_mS_cm,temperature_C\n", encoding="utf-8")

    def close(self) -> None:
        """Nothing is open."""


class Newest:
    """The driver that the guide shows, word for word, and the program that writes its file."""

    def __init__(self, folder: Path) -> None:
        """Load the module from the page, and wire it."""
        shown = (GUIDE.read_text(encoding="utf-8")).split("```python\n", 1)[1].split("```", 1)[0]
        (folder / "newest.py").write_text(shown, encoding="utf-8")
        spec = spec_from_file_location("newest_of_the_guide", folder / "newest.py")
        assert spec is not None
        assert spec.loader is not None
        # Where pydantic looks for what a section's annotations name.
        module = sys.modules[spec.name] = module_from_spec(spec)
        spec.loader.exec_module(module)
        kind: DriverKind[Any] = module.DRIVER
        self.path = folder / "newest.txt"
        self.place = str(self.path)
        keys = f'driver = "newest"\npath = "{self.path}"\n{MEASURED}'
        sections = {**SECTIONS, "newest": kind.section}
        config = parse(FILE + keys, Path("brinewright.toml"), sections)
        self.driver: Driver = kind.make("mix-1", config.reservoirs[0].probes[0], Buses())
        self.begun, self.running = b"", True

    def message(self, _number: int, conductivity_mS_cm: float, temperature_C: float) -> bytes:
        """What the file holds."""
        return f"{conductivity_mS_cm} {temperature_C}\n".encode()

    def say(self, piece: bytes) -> None:
        """Put the file into its place once it is whole, as a careful program does."""
        self.begun += piece
        if self.running and self.begun.endswith(b"\n"):
            beside = self.path.with_suffix(".part")
            beside.write_bytes(self.begun)
            beside.replace(self.path)
            self.begun = b""

    def may_send(self, *, due: bool) -> bool:
        """The file is read once a period: one that is renewed sooner was for nobody."""
        return due or bool(self.begun)

    def unplug(self) -> None:
        """End the program, and remove its file."""
        self.running = False
        self.path.unlink(missing_ok=True)

    def plug(self) -> None:
        """Start it again."""
        self.running, self.begun = True, b""

    def close(self) -> None:
        """Nothing is open."""


def waiting(descriptor: int) -> int:
    """How many bytes wait at a descriptor."""
    (count,) = struct.unpack("i", fcntl.ioctl(descriptor, termios.FIONREAD, b"\0" * 4))
    return int(count)
