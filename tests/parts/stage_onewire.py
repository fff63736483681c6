"""A 1-Wire thermometer on which its driver shows what it owes."""

from __future__ import annotations

import select
import time
from pathlib import Path

from daemon.config.probe import Quantity
from daemon.probes.periodic_read import PeriodicRead
from simulators.onewire import BUS, OneWireBus, scratchpad, w1_slave_text
from simulators.sysfs import Tree
from tests.parts.driver_stages import INPUT_NAMES, input_of

ARRIVES_WITHIN_S = 10.0


class Answering:
    """A file of sysfs that answers a read when the test says what, until then it hangs.

    A read that was given up may still hang in the thread; it gets the same answer, for nobody.
    """

    def __init__(self, tree: Tree, file: str, driver: PeriodicRead[object]) -> None:
        """Put a pipe in the place of the file."""
        self.tree, self.file, self._driver = tree, file, driver
        tree.hang(file)

    def say(self, content: bytes) -> bool:
        """Answer each read until the driver has an answer to its own; say whether it is this one.

        A read that began before the file was there has failed, and is no answer.
        """
        descriptor, answered = self._driver.fileno(), False
        assert descriptor is not None
        until_s = time.monotonic() + ARRIVES_WITHIN_S
        while not select.select([descriptor], [], [], 0.001)[0]:
            answered = self.tree.answer(self.file, content) or answered
            assert time.monotonic() < until_s, "the driver did not read"
        return answered

    def away(self) -> None:
        """Let go of all reads, and be there no more."""
        self.tree.let_go(self.file)


class Converting:
    """A thermometer whose conversion ends when the test says so."""

    device = "28-0316a2798eff"
    names = INPUT_NAMES
    gives = frozenset[Quantity]({"temperature"})

    def __init__(self, folder: Path) -> None:
        """Connect it to the bus."""
        self.bus = OneWireBus.at(folder)
        self.place = self.device
        made = input_of(f'driver = "onewire"\ndevice = "{self.device}"\nsysfs = "{folder}"\n')
        assert isinstance(made, PeriodicRead)
        self.driver: PeriodicRead[object] = made
        self.begun = b""
        self.plug()

    def message(self, _number: int, _conductivity_mS_cm: float, temperature_C: float) -> bytes:
        """What its file shows."""
        return w1_slave_text(scratchpad(round(temperature_C * 16.0))).encode()

    def say(self, piece: bytes) -> None:
        """Convert on, and end the conversion once the text is whole."""
        self.begun += piece
        self._end()

    def may_send(self, *, due: bool) -> bool:
        """Whether a read waits for it; `due` shows that one begins, and not that it lasts."""
        self._end()
        return self.plugged and self.driver.reading and not self._whole()

    def _whole(self) -> bool:
        ends = self.begun.endswith(b"\n")
        return ends and (b"t=" in self.begun or self.begun.endswith(b"\r\n"))

    def _end(self) -> None:
        if self._whole() and self.driver.reading and self.file.say(self.begun):
            self.begun = b""

    def unplug(self) -> None:
        """Take it off the bus."""
        self.file.away()
        self.bus.unplug(self.device)
        self.plugged = False

    def plug(self) -> None:
        """Connect it again."""
        self.file = Answering(self.bus.tree, f"{BUS}/{self.device}/w1_slave", self.driver)
        self.begun, self.plugged = b"", True

    def close(self) -> None:
        """Let go of what still reads."""
        if self.plugged:
            self.unplug()
