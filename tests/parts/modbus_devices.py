"""Simulated Modbus units in lock step with their drivers: on a pseudo-terminal, and over TCP."""

from __future__ import annotations

import struct
from collections.abc import Callable, Sequence
from pathlib import Path

from daemon.probes.bus import Bus
from simulators.modbus import Memory, ModbusUnits, Place, RtuSpeaker, water_unit
from simulators.modbus_host import ModbusHost
from simulators.stage import Stage
from tests.parts.driver_batch import REQUEST_S, Device, OnTerminal

FLOATS = Place(0, 3, "float32", "CDAB"), Place(2, 3, "float32", "CDAB")


class OnLine(OnTerminal):
    """The units of a line; several drivers share it.

    Attributes:
        bus: What the drivers share, once they are there: it knows whether a request is on its way.
    """

    bus: Bus | None = None

    def __init__(self, link: Path, units: ModbusUnits, *stages: Stage) -> None:
        """Wire them, the first stage being that of the cable."""
        self.stages = stages
        self.units = units
        super().__init__(stages[0], link, RtuSpeaker(units, self._pass))

    @property
    def request_s(self) -> float:  # type: ignore[override]
        """Real seconds in which a request arrives: none where none was sent."""
        return REQUEST_S if self.bus is None or self.bus.sent > len(self.units.asked) else 0.0

    def _pass(self, t_s: float) -> None:
        for stage in self.stages:
            stage.advance(max(t_s, stage.t_s))
        assert isinstance(self.speaker, RtuSpeaker)
        self.speaker.plugged = self.stage.plugged

    def advance(self, t_s: float) -> None:
        """Let time pass before the cable is looked at."""
        self._pass(t_s)
        owed = self.owed
        super().advance(t_s)
        # What nobody asked for may be read together with an answer, or before a request.
        self.owed = min(owed, self.owed)


class OnHost(Device):
    """The units behind a TCP port."""

    request_s = 0.02

    def __init__(self, stage: Stage, units: ModbusUnits) -> None:
        """Begin to listen."""
        super().__init__(stage)
        self.units = units
        self.host = ModbusHost(units)
        self.host.plug()

    def advance(self, t_s: float) -> None:
        """Let time pass, follow the cable, and send what is late."""
        self.stage.advance(max(t_s, self.stage.t_s))
        if self.stage.plugged:
            self.host.plug()
        else:
            self.host.unplug()
            self.owed = 0
        for _ in range(self.host.advance(t_s)):
            self.owe()

    def next_s(self) -> float | None:
        """Return when something late is due."""
        return self.host.next_s()

    def descriptors(self) -> Sequence[int]:
        """Return the server's."""
        return self.host.descriptors()

    def serve(self, t_s: float) -> None:
        """Take connections and requests, and answer."""
        for _ in range(self.host.serve(t_s)):
            self.owe()

    def close(self) -> None:
        """Take the host away."""
        self.host.unplug()


def noted(stage: Stage, said: list[tuple[float, float, float]]) -> Callable[[], Memory]:
    """A unit that keeps when it said what, as floats of 32 bits are."""
    memory = water_unit(stage, *FLOATS)

    def keep() -> Memory:
        held = memory()
        words = [struct.pack(">2H", held[3, first + 1], held[3, first]) for first in (0, 2)]
        conductivity, water_C = (struct.unpack(">f", each)[0] for each in words)
        said.append((stage.t_s, conductivity, water_C))
        return held

    return keep
