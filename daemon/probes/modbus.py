"""Instruments that speak Modbus: RTU on a serial line such as RS-485, or TCP.

A driver reads its unit once a period: each run of registers that follow one another in one
request.  The line or the connection belongs to all drivers that name it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from itertools import pairwise
from typing import TYPE_CHECKING, Final

from daemon.entries import Instant, Sample
from daemon.probes.driver import Buses, DriverKind, FaultLimit
from daemon.probes.modbus_alternatives import word_order_alternatives
from daemon.probes.modbus_link import ModbusLink, Reading, RtuLink, TcpLink
from daemon.probes.modbus_section import ModbusSection
from daemon.probes.transport import SerialLine
from daemon.wire.modbus import ReadRequest
from daemon.wire.modbus_values import Form, NoValue, switch
from daemon.wire.units import Scale

if TYPE_CHECKING:
    from daemon.probes.modbus_section import NumberRegister, SwitchRegister

SPOKEN_LIMIT: Final = 64


@dataclass(frozen=True, slots=True)
class Point:
    """Where a number stands.

    Attributes:
        function: 3 for holding, 4 for input registers.
        register: The first one of it, counted from 0.
        form: How it stands there.
    """

    function: int
    register: int
    form: Form


@dataclass(frozen=True, slots=True)
class SwitchPoint:
    """Where it stands whether a pump runs.

    Attributes:
        function: As of a point.
        register: Likewise.
        bit: Which bit says so; None where the register is 0 or 1 whole.
    """

    function: int
    register: int
    bit: int | None = None


@dataclass(frozen=True, slots=True)
class ModbusSettings:
    """What one driver reads.

    Attributes:
        reservoir: Name of the reservoir that it looks at; empty for an input.
        probe: Its own name.
        unit: Address.
        conductivity: Its registers; None for none.
        temperature: Likewise.
        pump: Likewise.
        scale: What the numbers mean.
        period_s: Time between readings, s.
        timeout_s: How long to wait for an answer, s.
    """

    reservoir: str
    probe: str
    unit: int
    conductivity: Point | None = None
    temperature: Point | None = None
    pump: SwitchPoint | None = None
    scale: Scale = field(default_factory=Scale)
    period_s: float = 2.0
    timeout_s: float = 0.5

    def requests(self) -> list[ReadRequest]:
        """Return the fewest requests that read all its registers and no others."""
        needed = {
            (point.function, point.register + number)
            for point in (self.conductivity, self.temperature)
            if point is not None
            for number in range(point.form.count)
        }
        if self.pump is not None:
            needed.add((self.pump.function, self.pump.register))
        return [
            ReadRequest(self.unit, function, first, count)
            for function, first, count in _runs(sorted(needed))
        ]


def _runs(registers: Sequence[tuple[int, int]]) -> list[tuple[int, int, int]]:
    """Return function, first register and length of each run of registers without a gap."""
    begins = [
        later
        for earlier, later in pairwise([(0, -2), *registers])
        if later != (earlier[0], earlier[1] + 1)
    ]
    starts = [registers.index(each) for each in begins]
    ends = [*starts[1:], len(registers)]
    return [(*registers[start], end - start) for start, end in zip(starts, ends, strict=True)]


class ModbusProbe:
    """One unit; a plain state machine beside the bus that it shares.

    Attributes:
        bus: Which it shares.
    """

    def __init__(self, settings: ModbusSettings, link: ModbusLink) -> None:
        """Remember the settings; the bus is opened at the first reading."""
        self._set, self._link = settings, link
        self.bus = link.bus
        self._requests = settings.requests()
        self._faults = FaultLimit(settings.reservoir, settings.probe, settings.period_s)
        self._due_s = 0.0
        self._exchange: Reading | None = None
        self._found: dict[tuple[int, int], int] = {}
        self._to_read: list[ReadRequest] = []
        self._closed = False
        self.bus.join(self, settings.period_s)

    def fileno(self) -> int | None:
        """Return the descriptor to watch for reading; None while the way is shut."""
        return None if self._closed else self.bus.fileno()

    def wake_s(self) -> float:
        """Monotonic time, s, at which `wake` wants to be called next."""
        if self._exchange is not None and self._exchange.over:
            return 0.0
        return min(self._due_s, self.bus.wake_s())

    def wake(self, now: Instant) -> list[Sample]:
        """Do what is due: begin a reading, or have the bus go on."""
        samples: list[Sample] = []
        if now.mono_s >= self._due_s:
            samples += self._begin(now)
        self.bus.advance(now.mono_s)
        return samples + self._take(now)

    def readable(self, now: Instant) -> list[Sample]:
        """Take what has arrived, for whichever driver it is."""
        self.bus.readable(now.mono_s)
        return self._take(now)

    def close(self) -> None:
        """Let go of the bus; the last one shuts it; may be called twice."""
        self._closed = True
        if self._exchange is not None:
            self.bus.withdraw(self._exchange)
        self._exchange = None
        self.bus.leave(self)

    def _begin(self, now: Instant) -> list[Sample]:
        period_s = self._set.period_s
        missed = now.mono_s - self._due_s > period_s
        self._due_s = (now.mono_s if missed else self._due_s) + period_s
        samples: list[Sample] = []
        if self._exchange is not None:
            self.bus.withdraw(self._exchange)
            samples = self._faults.samples(now, self._link.no_turn(now.mono_s))
        self._found, self._to_read = {}, list(self._requests)
        self._submit()
        return samples

    def _submit(self) -> None:
        self._exchange = Reading(self._link, self._to_read.pop(0), self._set.timeout_s)
        self.bus.submit(self._exchange)

    def _take(self, now: Instant) -> list[Sample]:
        """Take an exchange that is over, begin the next one, or say what was read."""
        exchange = self._exchange
        if exchange is None or not exchange.over:
            return []
        self._exchange = None
        if exchange.registers is None:
            return self._faults.samples(now, exchange.fault)
        asked = exchange.request
        for number, value in enumerate(exchange.registers):
            self._found[asked.function, asked.first + number] = value
        if self._to_read:
            self._submit()
            self.bus.advance(now.mono_s)
            return []
        return self._samples(now)

    def _samples(self, now: Instant) -> list[Sample]:
        conf = self._set
        spoken = _registers_text(self._found)
        try:
            conductivity, water_C = conf.scale.water(
                self._number("conductivity", conf.conductivity),
                self._number("temperature", conf.temperature),
            )
            pump = self._pump(conf.pump)
        except NoValue as exc:
            where = f"unit {conf.unit} on {self.bus.place}"
            return self._faults.samples(now, f"{where}: {exc}", spoken)
        return [Sample(conf.reservoir, conf.probe, now, conductivity, water_C, pump, "", spoken)]

    def _number(self, name: str, point: Point | None) -> float | None:
        if point is None:
            return None
        places = range(point.register, point.register + point.form.count)
        try:
            return point.form.number([self._found[point.function, each] for each in places])
        except NoValue as exc:
            raise NoValue(
                f"its {name} at register {point.register} holds {exc}; check sensor, register,"
                " format and word_order"
            ) from exc

    def _pump(self, point: SwitchPoint | None) -> bool | None:
        if point is None:
            return None
        try:
            return switch(self._found[point.function, point.register], point.bit)
        except NoValue as exc:
            raise NoValue(f"its pump at register {point.register} holds {exc}") from exc


def _registers_text(found: Mapping[tuple[int, int], int]) -> str:
    """Return registers as an instrument said them, such as "3/0: 4255 0000 41C4 0000"."""
    runs = [
        f"{function}/{first}: "
        + " ".join(f"{found[function, first + number]:04X}" for number in range(count))
        for function, first, count in _runs(sorted(found))
    ]
    text = "; ".join(runs)
    return text if len(text) <= SPOKEN_LIMIT else f"{text[: SPOKEN_LIMIT - 1]}…"


def _point(register: NumberRegister | None) -> Point | None:
    if register is None:
        return None
    form = Form(register.format, register.word_order or "ABCD", register.factor, register.offset)
    return Point(register.function, register.first, form)


def _switch_point(register: SwitchRegister | None) -> SwitchPoint | None:
    if register is None:
        return None
    return SwitchPoint(register.function, register.first, register.bit)


def _link(section: ModbusSection, buses: Buses) -> ModbusLink:
    if section.port is not None:
        line = SerialLine(section.port, section.baud, 8, section.parity, section.stopbits)
        return buses.shared(RtuLink, section.port, partial(RtuLink, line))
    host, port = section.host or "", section.tcp_port
    return buses.shared(TcpLink, f"{host}:{port}", partial(TcpLink, host, port))


def _modbus_probe(reservoir: str, section: ModbusSection, buses: Buses) -> ModbusProbe:
    return ModbusProbe(
        ModbusSettings(
            reservoir=reservoir,
            probe=section.name,
            unit=section.unit,
            conductivity=_point(section.conductivity),
            temperature=_point(section.temperature),
            pump=_switch_point(section.pump),
            scale=section.scale,
            period_s=section.period_s,
            timeout_s=section.timeout_s,
        ),
        _link(section, buses),
    )


DRIVER = DriverKind(ModbusSection, _modbus_probe, word_order_alternatives)
