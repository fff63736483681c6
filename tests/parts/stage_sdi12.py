"""A stage for the driver of SDI-12: an instrument at an adapter that makes the breaks itself."""

from __future__ import annotations

import os
import select
from pathlib import Path

from simulators.sdi12_sensor import on_the_wire
from tests.parts.driver_stages import Talking, driver_of

KEYS = """
driver = "sdi12"
port = "{place}"
break_by = "adapter"
values = {{ conductivity = 1, temperature = 2 }}
units = {{ conductivity = "mS/cm", temperature = "degC" }}
compensation = "none"
reply_within_s = 1.0
"""
SENT_WITHIN_S = 0.005
"""Real seconds; what takes longer is found at the next look."""


class Measuring(Talking):
    """An instrument that announces two values at once, and says them when they are asked for."""

    def __init__(self, folder: Path) -> None:
        """Wire it; the link stands for the adapter's name."""
        self.link = folder / "ttyUSB0"
        self.place = str(self.link)
        self.pending, self.sent_soon, self.command = False, False, b""
        self.plug()
        self.driver = driver_of(KEYS.format(place=self.place))

    def message(self, _number: int, conductivity_mS_cm: float, temperature_C: float) -> bytes:
        """The data of one measurement."""
        return on_the_wire(f"0+{conductivity_mS_cm}+{temperature_C}\r\n")

    def may_send(self, *, due: bool) -> bool:
        """Whether data are asked for and not said whole; what else is asked is answered here."""
        if not self.plugged or self.driver.fileno() is None:
            self.pending = False
            return False
        wait_s = SENT_WITHIN_S if due or self.sent_soon else 0.0
        self.sent_soon = False
        # One that is asked again answers once: it has the same data still.
        if select.select([self.master], [], [], wait_s)[0]:
            self.command += os.read(self.master, 100)
            if self.command.endswith(on_the_wire("!")):
                self.pending = self.command == on_the_wire("0D0!")
                self._answer(self.command)
                self.command = b""
        return self.pending

    def say(self, piece: bytes) -> None:
        """Say data, or begin to."""
        super().say(piece)
        self.pending = not piece.endswith(b"\n")

    def _answer(self, command: bytes) -> None:
        reply = {on_the_wire("0M!"): "00002\r\n", on_the_wire("0!"): "0\r\n"}.get(command)
        if reply is not None:
            super().say(on_the_wire(reply))
            self.sent_soon = True
