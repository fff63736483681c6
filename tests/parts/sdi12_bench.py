"""SDI-12 probes and the simulated bus that they share, in time that the test owns.

The line between them is in memory and carries breaks, which a pseudo-terminal does not.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

from daemon.config import parse
from daemon.entries import Instant, Sample
from daemon.probes.registry import SECTIONS
from daemon.probes.sdi12 import Sdi12Probe, Sdi12Section
from daemon.probes.sdi12_bus import Sdi12Bus
from daemon.probes.sdi12_exchange import Exchange
from daemon.probes.transport import TransportError
from simulators.sdi12 import CHARACTER_S, SensorBus
from simulators.sdi12_sensor import Sensor

PORT = "/dev/ttyUSB0"
NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
STEP_S = 0.001
ROUNDING_S = 1e-9


@dataclass
class MemoryLine:
    """A serial line to simulated instruments; it can be unplugged."""

    bus: SensorBus
    place: str = PORT
    t_s: float = 0.0
    came: bytearray = field(default_factory=bytearray)
    is_open: bool = False
    is_plugged: bool = True
    strips_parity: bool = False
    break_errno: int = 0
    breaks: list[tuple[float, bool]] = field(default_factory=list)

    def fileno(self) -> int | None:
        """No descriptor: the bench looks itself."""
        return None

    def open(self, now_s: float) -> bool:
        """Open it, if it is there."""
        self._must_be_plugged()
        self.is_open = True
        return True

    def read(self) -> bytes:
        """What came."""
        self._must_be_plugged()
        data, self.came = bytes(self.came), bytearray()
        return bytes(each & 0x7F for each in data) if self.strips_parity else data

    def write(self, data: bytes) -> None:
        """Send to the instruments."""
        self._must_be_plugged()
        assert self.is_open
        self.came += self.bus.respond(data, self.t_s)

    def discard(self) -> None:
        """Throw away what came."""
        self._must_be_plugged()
        self.came.clear()

    def set_break(self, *, on: bool) -> None:
        """Pass a break on."""
        if self.break_errno and on:
            self.is_open = False
            cause = OSError(self.break_errno, "the kernel's own words")
            raise TransportError("a break failed; is the adapter still plugged in?") from cause
        if self.is_open:
            self._must_be_plugged()
            self.breaks.append((self.t_s, on))
            self.came += self.bus.spacing(self.t_s, on=on)

    def close(self) -> None:
        """Shut it."""
        self.is_open = False

    def _must_be_plugged(self) -> None:
        if not self.is_plugged:
            self.is_open = False
            raise TransportError(f"port {self.place}: gone; is the adapter still plugged in?")


def section(keys: str = "", name: str = "ct-1") -> Sdi12Section:
    """A section as a configuration has it; `keys` replace those that it has by default."""
    given = dict(line.split(" = ", 1) for line in keys.splitlines() if line)
    usual = {
        "name": f'"{name}"',
        "driver": '"sdi12"',
        "port": f'"{PORT}"',
        "period_s": "2",
        "values": "{ conductivity = 1, temperature = 2 }",
        "units": '{ conductivity = "mS/cm", temperature = "degC" }',
        "compensation": '"none"',
    }
    lines = "\n".join(f"{key} = {value}" for key, value in (usual | given).items())
    text = f'[station]\nname = "quarantine-wing"\n{RESERVOIR}[[reservoir.probe]]\n{lines}\n'
    config = parse(text, Path("brinewright.toml"), SECTIONS)
    found: object = config.reservoirs[0].probes[0]
    assert isinstance(found, Sdi12Section)
    return found


RESERVOIR = """\
[[reservoir]]
name = "mix-1"
capacity_l = 220
fill_l = 180
target_ppt = 34.0
tolerance_ppt = 1.0
"""


class Sdi12Bench:
    """Probes of one line, and a clock.

    Attributes:
        sensors: The simulated bus.
        probes: The drivers.
        samples: What they gave.
    """

    def __init__(self, sensors: SensorBus, sections: list[Sdi12Section]) -> None:
        """Wire them."""
        self.sensors = sensors
        self.line = MemoryLine(sensors)
        self.bus = Sdi12Bus(
            Exchange(
                self.line,
                CHARACTER_S,
                has_parity=sections[0].framing == "7E1",
                sends_break=sections[0].break_by == "service",
            )
        )
        self.probes = [Sdi12Probe("mix-1", each, self.bus) for each in sections]
        self.samples: list[Sample] = []
        self.t_s = 100.0
        self.stalls_s = 0.0

    def run(self, duration_s: float) -> None:
        """Let so many seconds pass; the machine looks here no sooner than after `stalls_s`."""
        until_s = self.t_s + duration_s
        while self.t_s <= until_s:
            self.line.t_s = self.t_s
            self.line.came += self.sensors.advance(self.t_s)
            now = self.now()
            for probe in self.probes:
                if self.line.came and self.line.is_open and not self.stalls_s:
                    self.samples += probe.readable(now)
                self.samples += probe.wake(now)
            due_s = [probe.wake_s() for probe in self.probes]
            due_s.append(self.sensors.next_s() or math.inf)
            self.t_s = max(
                self.t_s + self.stalls_s + STEP_S, min([self.t_s + 0.5, *due_s]) + ROUNDING_S
            )

    def now(self) -> Instant:
        """The moment."""
        return Instant(NOON + timedelta(seconds=self.t_s), self.t_s, "boot-1")

    def values(self, name: str = "ct-1") -> list[tuple[float | None, float | None]]:
        """What a probe measured."""
        return [
            (each.conductivity_mS_cm, each.temperature_C)
            for each in self.samples
            if each.probe == name and not each.fault
        ]

    def faults(self, name: str = "ct-1") -> list[str]:
        """What was wrong with it."""
        return [each.fault for each in self.samples if each.probe == name and each.fault]


def sensor(address: str = "0", *values: str, announces_s: int = 0, takes_s: float = 0.0) -> Sensor:
    """An instrument that always measures the same."""
    found = list(values or ("+42.914", "+24.50"))
    return Sensor(address, {"": lambda _t_s: found}, announces_s=announces_s, takes_s=takes_s)


def bench(
    *sensors: Sensor, sections: list[Sdi12Section] | None = None, seed: int = 0
) -> Sdi12Bench:
    """Probes on a line with breaks, at the true speed of characters."""
    bus = SensorBus(list(sensors), adapter_makes_breaks=False, is_paced=True, seed=seed)
    return Sdi12Bench(bus, sections or [section()])
