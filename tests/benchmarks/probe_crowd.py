"""Instruments of every driver, as many as are wanted, on their real transports.

    python -m tests.benchmarks.probe_crowd FOLDER COUNT BROKER_PORT HANGS KIND...

They play in a process of their own until they are ended.  The configuration that reads them is
`FOLDER/brinewright.toml`, which is there once they all are.  They are of the KINDs in turn.  Where
HANGS is one of them, its first bus takes requests after ten seconds and answers none any more.
"""

from __future__ import annotations

import select
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path
from random import Random

from simulators.device_socket import DeviceSocket
from simulators.i2c import Adapter, TextInstrument
from simulators.iio import CONDUCTIVITY, TEMPERATURE, IioDevice
from simulators.lines import SimulatedLine, Speaker
from simulators.modbus import Memory, ModbusUnits, Place, RtuSpeaker
from simulators.modbus_host import ModbusHost
from simulators.onewire import OneWireBus, scratchpad, w1_slave_text
from simulators.publishing_node import NodeCharacter, PublishingNode
from simulators.sdi12 import SensorBus
from simulators.sdi12_sensor import Sensor

LOOPBACK = "127.0.0.1"
HANGS_AFTER_S = 10.0
CONDUCTIVITY_MS_CM, WATER_C = 50.2, 24.0
PER_BUS = {"modbus": 4, "modbus over TCP": 4, "sdi12": 2, "i2c": 4}
KINDS = ("line", "modbus", "iio", "sdi12", "modbus over TCP", "i2c", "mqtt_in", "onewire")
"""What the probes are, in turn; `onewire` is a cell on a line of text with such a thermometer."""
UNITS = 'units = { conductivity = "mS/cm", temperature = "degC" }\ncompensation = "none"\n'
REPLY = "reply = '(?P<conductivity>[\\d.]+),(?P<temperature>[\\d.]+)'\n"


def water(dice: Random) -> tuple[float, float]:
    """What an instrument measures, with its noise, mS/cm and °C."""
    return CONDUCTIVITY_MS_CM * (1.0 + dice.gauss(0.0, 1e-4)), WATER_C + dice.gauss(0.0, 0.004)


@dataclass
class Asked:
    """An instrument of text that answers a request at once."""

    dice: Random
    deaf: Callable[[], bool]
    whole: bool = True
    plugged: bool = True
    lossless: bool = False

    def advance(self, _t_s: float) -> bytes:
        """Say nothing without a request."""
        return b""

    def respond(self, _data: bytes, _t_s: float) -> bytes:
        """Say what it measures."""
        if self.deaf():
            return b""
        conductivity, temperature = water(self.dice)
        text = f"{conductivity:.3f},{temperature:.2f}" if self.whole else f"{conductivity:.3f}"
        return f"{text}\r\n".encode()

    def next_s(self) -> float | None:
        """Never."""
        return None


@dataclass
class Deaf:
    """Whoever is behind it hears nothing after a while."""

    speaker: Speaker
    deaf: Callable[[], bool]

    @property
    def plugged(self) -> bool:
        """As that one."""
        return self.speaker.plugged

    @property
    def lossless(self) -> bool:
        """As that one."""
        return self.speaker.lossless

    def advance(self, t_s: float) -> bytes:
        """As that one, but for silence."""
        said = self.speaker.advance(t_s)
        return b"" if self.deaf() else said

    def respond(self, data: bytes, t_s: float) -> bytes:
        """As that one, but for silence."""
        return b"" if self.deaf() else self.speaker.respond(data, t_s)

    def next_s(self) -> float | None:
        """As that one."""
        return self.speaker.next_s()


@dataclass
class Crowd:
    """All instruments, and the sections by which they are read.

    Attributes:
        folder: Where their devices are.
        broker_port: Of the broker that nodes publish at.
        hangs: Kind of which the first bus stops answering; empty for none.
        sections: One a probe, without its header and name.
        inputs: Whole sections of inputs.
    """

    folder: Path
    broker_port: int
    hangs: str = ""
    sections: list[str] = field(default_factory=list)
    inputs: list[str] = field(default_factory=list)
    _nodes: list[PublishingNode] = field(default_factory=list)
    _files: list[Callable[[], None]] = field(default_factory=list)
    _buses: dict[str, list[str]] = field(default_factory=dict)
    _counts: Counter[str] = field(default_factory=Counter)
    _numbers: Iterator[int] = field(default_factory=count)
    _began_s: float = field(default_factory=time.monotonic)

    def add(self, kind: str) -> None:
        """Add one instrument with the section that reads it."""
        number = next(self._numbers)
        made = {
            "line": self._line,
            "modbus": self._modbus,
            "modbus over TCP": self._modbus_tcp,
            "sdi12": self._sdi12,
            "iio": self._iio,
            "onewire": self._onewire,
            "i2c": self._i2c,
            "mqtt_in": self._mqtt_in,
        }[kind](number)
        self.sections.append(f"period_s = 1\n{made}")

    def serve(self) -> None:
        """Let files change and nodes publish once a second, for ever."""
        dice, due_s = Random(0), time.monotonic()
        while True:
            due_s += 1.0
            for each in self._files:
                each()
            for node in self._nodes:
                node.measure(time.monotonic(), *water(dice))
                node.live()
            time.sleep(max(0.0, due_s - time.monotonic()))

    def _deaf(self, kind: str, bus: int) -> Callable[[], bool]:
        if kind != self.hangs or bus:
            return lambda: False
        return lambda: time.monotonic() - self._began_s > HANGS_AFTER_S

    def _count(self, kind: str) -> int:
        """Return how many of a kind there were, and count one more."""
        self._counts[kind] += 1
        return self._counts[kind] - 1

    def _talk(self, name: str, speaker: Speaker) -> str:
        line = SimulatedLine(self.folder / name, speaker)
        line.plug()
        threading.Thread(target=line.serve, daemon=True).start()
        return str(line.link)

    def _place(self, kind: str, make: Callable[[int, int], str]) -> tuple[str, int, int]:
        """Return the device of a bus with room on it, its number and the place on it."""
        number, place = divmod(self._count(kind), PER_BUS[kind])
        known = self._buses.setdefault(kind, [])
        if number == len(known):
            known.append(make(number, PER_BUS[kind]))
        return known[number], number, place

    def _line(self, number: int) -> str:
        speaker = Asked(Random(number), self._deaf("line", self._count("line")))
        port = self._talk(f"line-{number}", speaker)
        return f'driver = "line"\nport = "{port}"\nrequest = "READ?\\n"\n{REPLY}{UNITS}'

    def _units(self, first: int) -> ModbusUnits:
        def memory_of(dice: Random) -> Callable[[], Memory]:
            def memory() -> Memory:
                held = dict[tuple[int, int], int]()
                for place, value in zip((0, 2), water(dice), strict=True):
                    Place(place).hold(held, value)
                return held

            return memory

        return ModbusUnits({n + 1: memory_of(Random(first + n)) for n in range(PER_BUS["modbus"])})

    def _modbus(self, _number: int) -> str:
        def make(bus: int, _units: int) -> str:
            speaker = RtuSpeaker(self._units(10 * bus))
            return self._talk(f"rs485-{bus}", Deaf(speaker, self._deaf("modbus", bus)))

        port, _, place = self._place("modbus", make)
        return f'driver = "modbus"\nport = "{port}"\nbaud = 19200\n{registers(place + 1)}'

    def _modbus_tcp(self, _number: int) -> str:
        def make(bus: int, _units: int) -> str:
            host = ModbusHost(self._units(100 + 10 * bus))
            host.plug()
            deaf = self._deaf("modbus over TCP", bus)
            threading.Thread(target=_serve_host, args=(host, deaf), daemon=True).start()
            return str(host.port)

        port, _, place = self._place("modbus over TCP", make)
        keys = f'driver = "modbus"\nhost = "{LOOPBACK}"\ntcp_port = {port}\n'
        return keys + registers(place + 1)

    def _sdi12(self, _number: int) -> str:
        def make(bus: int, sensors: int) -> str:
            speaker = SensorBus([_sensor(str(n), 10 * bus + n) for n in range(sensors)])
            return self._talk(f"sdi12-{bus}", Deaf(speaker, self._deaf("sdi12", bus)))

        port, _, place = self._place("sdi12", make)
        return (
            f'driver = "sdi12"\nport = "{port}"\nbreak_by = "adapter"\naddress = "{place}"\n'
            f'measurement = "CC"\nvalues = {{ conductivity = 1, temperature = 2 }}\n{UNITS}'
        )

    def _i2c(self, _number: int) -> str:
        def make(bus: int, slaves: int) -> str:
            adapter = Adapter({0x60 + n: _slave(10 * bus + n) for n in range(slaves)})
            device = DeviceSocket(self.folder / f"i2c-{bus}", adapter)
            device.plug()
            if self.hangs == "i2c" and not bus:
                stuck = _Stuck(adapter, self._deaf("i2c", 0))
                threading.Thread(target=stuck.watch, daemon=True).start()
            return str(self.folder / f"i2c-{bus}")

        path, _, place = self._place("i2c", make)
        return (
            f'driver = "i2c"\nbus = "{path}"\naddress = {0x60 + place}\nrequest = "R"\n'
            f"wait_s = 0.3\nstatus = {{ data = 1, pending = 254, nothing = 255, error = 2 }}\n"
            f"{REPLY}{UNITS}"
        )

    def _iio(self, number: int) -> str:
        dice, name = Random(number), f"cell-{number}"
        device = IioDevice.at(self.folder / "iio", name=name, index=number)
        deaf, hung = self._deaf("iio", self._count("iio")), threading.Event()
        file = f"{device.folder}/{CONDUCTIVITY}_raw"

        def write() -> None:
            if not deaf():
                device.measure(*water(dice))
            elif not hung.is_set():
                hung.set()
                device.tree.hang(file)

        write()
        self._files.append(write)
        return (
            f'driver = "iio"\ndevice = {{ name = "{name}" }}\nsysfs = "{device.tree.root}"\n'
            f'compensation = "none"\nconductivity = "{CONDUCTIVITY}"\n'
            f'temperature = "{TEMPERATURE}"\n'
        )

    def _onewire(self, number: int) -> str:
        bus = OneWireBus.at(self.folder / "w1")
        device, dice = f"28-{number:012x}", Random(number)
        deaf, hung = self._deaf("onewire", self._count("onewire")), threading.Event()

        def write() -> None:
            register = round(16.0 * (WATER_C + dice.gauss(0.0, 0.05)))
            if not deaf():
                bus.tree.write(
                    f"{BUS_FOLDER}/{device}/w1_slave", w1_slave_text(scratchpad(register))
                )
            elif not hung.is_set():
                hung.set()
                bus.tree.hang(f"{BUS_FOLDER}/{device}/w1_slave")

        bus.measure(device, WATER_C)
        self._files.append(write)
        self.inputs.append(
            f'[[input]]\nname = "thermo-{number}"\ndriver = "onewire"\ndevice = "{device}"\n'
            f'sysfs = "{bus.tree.root}"\nperiod_s = 1\n'
        )
        speaker = Asked(Random(number), lambda: False, whole=False)
        port = self._talk(f"cell-{number}", speaker)
        return (
            f'driver = "line"\nport = "{port}"\nrequest = "READ?\\n"\n'
            "reply = '(?P<conductivity>[\\d.]+)'\n"
            'units = { conductivity = "mS/cm" }\ncompensation = "none"\n'
            f'temperature_from = "thermo-{number}"\n'
        )

    def _mqtt_in(self, number: int) -> str:
        character = NodeCharacter(base=f"fish-room/node-{number}", qos=0)
        node = PublishingNode(LOOPBACK, self.broker_port, character)
        node.connect()
        self._nodes.append(node)
        topic = f"{character.base}/water"
        return (
            f'driver = "mqtt_in"\nhost = "{LOOPBACK}"\nport = {self.broker_port}\n'
            f'conductivity = {{ topic = "{topic}", value = "/conductivity" }}\n'
            f'temperature = {{ topic = "{topic}", value = "/temperature" }}\n{UNITS}'
        )


BUS_FOLDER = "devices"


def registers(place: int) -> str:
    """The keys of a unit with two numbers in four registers."""
    return (
        f"unit = {place}\n"
        'conductivity = { register = 0, format = "float32", word_order = "ABCD" }\n'
        'temperature = { register = 2, format = "float32", word_order = "ABCD" }\n'
        f"{UNITS}"
    )


def _sensor(address: str, seed: int) -> Sensor:
    dice = Random(seed)

    def values(_t_s: float) -> list[str]:
        conductivity, temperature = water(dice)
        return [f"{conductivity:+.3f}", f"{temperature:+.2f}"]

    return Sensor(address, {"": values})


def _slave(seed: int) -> TextInstrument:
    dice = Random(seed)

    def speak() -> bytes:
        conductivity, temperature = water(dice)
        return f"{conductivity:.3f},{temperature:.2f}".encode()

    return TextInstrument(speak, time.monotonic, works_s=0.1)


@dataclass
class _Stuck:
    """Makes every slave of an adapter hold the bus after a while."""

    adapter: Adapter
    deaf: Callable[[], bool]

    def watch(self) -> None:
        """Wait for that moment."""
        while not self.deaf():
            time.sleep(0.1)
        for slave in self.adapter.slaves.values():
            if isinstance(slave, TextInstrument):
                slave.fault = "stuck"


def _serve_host(host: ModbusHost, deaf: Callable[[], bool]) -> None:
    while True:
        select.select(host.descriptors(), [], [], 0.2)
        if deaf():
            time.sleep(0.2)
        else:
            host.serve(time.monotonic())


def configuration(crowd: Crowd) -> str:
    """The file that reads all of a crowd, two probes a reservoir."""
    text = '[station]\nname = "quarantine-wing"\n[journal]\npath = "journal.db"\n'
    for number in range(0, len(crowd.sections), 2):
        text += (
            f'[[reservoir]]\nname = "mix-{number // 2}"\ncapacity_l = 220\nfill_l = 180\n'
            "target_ppt = 33.0\ntolerance_ppt = 1.0\n"
        )
        for place, section in enumerate(crowd.sections[number : number + 2]):
            text += f'[[reservoir.probe]]\nname = "ct-{place + 1}"\n{section}'
    return text + "".join(crowd.inputs)


def main() -> None:
    """Play until the process is ended."""
    folder, many, port = Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])
    hangs, kinds = sys.argv[4], sys.argv[5:]
    crowd = Crowd(folder, port, hangs)
    for number in range(many):
        crowd.add(kinds[number % len(kinds)])
    beside = folder / "brinewright.part"
    beside.write_text(configuration(crowd), encoding="utf-8")
    beside.replace(folder / "brinewright.toml")
    crowd.serve()


if __name__ == "__main__":
    main()
