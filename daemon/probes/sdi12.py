"""Instruments on an SDI-12 line: each is asked once a period, and several share the line."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import AfterValidator, Field

from daemon.config.fields import Section, number, one_of, text, whole
from daemon.config.probe import IndicatingSource, Occupation, Quantity
from daemon.entries import Sample
from daemon.probes.driver import DriverKind, FaultLimit
from daemon.probes.sdi12_bus import Sdi12Bus, Session
from daemon.probes.sdi12_exchange import Addressing, Exchange
from daemon.probes.transport import SerialLine, SerialTransport, TransportError
from daemon.wire import sdi12, sdi12_conversation
from daemon.wire.line import shown

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from daemon.config.rules import Table
    from daemon.entries import Instant
    from daemon.probes.driver import Buses

QUANTITIES: tuple[Quantity, ...] = ("conductivity", "temperature", "pump")
MOST_VALUES, MOST_CONCURRENT_VALUES = 9, 99
"""That one measurement has: the count is of one figure, of two where it is concurrent."""
EXCHANGE_S = 10.0
"""Within less nobody puts another instrument in place of one; our own choice."""
DIAGNOSE_S = 30.0
"""How often to look again why an instrument does not answer, which takes time from the others."""


def _measurement(value: str) -> str:
    sdi12.parse_measurement(value)
    return value


class Values(Section):
    """`values` of an instrument: which of its values is what, counted from 1; None for none."""

    conductivity: int | None = whole(1, MOST_CONCURRENT_VALUES, "", None)
    temperature: int | None = whole(1, MOST_CONCURRENT_VALUES, "", None)
    pump: int | None = whole(1, MOST_CONCURRENT_VALUES, "", None)


class Sdi12Section(IndicatingSource):
    """The section of `driver = "sdi12"`: one measurement of one instrument on an SDI-12 line.

    Attributes:
        port: Serial device of the adapter.
        baud: Speed of that, Bd; SDI-12 itself has 1200.
        framing: "7E1" for an adapter that passes characters on as they are on the line, "8N1"
            for one that has the parity made and checked itself.
        break_by: Who sends the break before a command: "service", or "adapter" for one that does
            so on its own.
        address: Of the instrument.
        measurement: Which one is made: "M", "MC3", "C", "CC2" and so on.
        values: Which of its values is what.
        identification: What the instrument says that it is, or the beginning of that; None where
            any may be there.
        reply_within_s: How long after a command its reply may begin, s.  The standard has 15 ms;
            a USB adapter hands over what it received up to 16 ms later (from memory, of common
            ones), and a busy machine is late by some ten more, so the default is ten times that.
        retries: How often a command without a valid reply is sent again; at least three by the
            standard.
    """

    port: str = text("a serial device such as '/dev/ttyUSB0'")
    baud: int = whole(300, 921_600, "Bd", 1200)
    framing: Literal["7E1", "8N1"] = one_of("7E1", "8N1", default="7E1")
    break_by: Literal["service", "adapter"] = one_of("service", "adapter", default="service")
    address: str = Field(
        "0", pattern="^[0-9A-Za-z]$", description="an address of one character 0-9, A-Z or a-z"
    )
    measurement: Annotated[str, AfterValidator(_measurement)] = text(
        "a measurement such as 'M', 'MC', 'M1', 'C' or 'CC2'", "M", 3
    )
    values: Values = Field(
        default=Values(),
        description="numbers of values such as { conductivity = 1, temperature = 2 }",
    )
    identification: str | None = text(
        "the beginning of what the instrument says that it is, such as '14VENDOR..MODEL.'", None, 64
    )
    reply_within_s: float = number(0.015, 2, "seconds", 0.15)
    retries: int = whole(0, 9, "", 3)

    @classmethod
    def crossings(cls, table: Table) -> Iterator[tuple[str, str]]:
        """Yield values that are missing, that are two things, or that no measurement has."""
        yield from super().crossings(table)
        numbers = _numbers(table)
        if numbers is None:
            return
        if not numbers:
            yield "values", f"gives nothing; give {cls.model_fields['values'].description}"
        if len(set(numbers.values())) < len(numbers):
            yield "values", "has one number for two things; look into the instrument's manual"
        word = table.get("measurement", "M")
        highest = max(numbers.values(), default=0)
        if isinstance(word, str) and word.startswith("M") and highest > MOST_VALUES:
            rule = f"has {highest}, and a measurement {word} has at most {MOST_VALUES} values"
            yield "values", f"{rule}; use one that begins with C, or another number"

    @classmethod
    def occupies(cls, table: Table) -> Occupation | None:
        """Return the port, which all share that use it in the same way."""
        port = table.get("port")
        if not isinstance(port, str) or not port:
            return None
        baud, framing = table.get("baud", 1200), table.get("framing", "7E1")
        by = table.get("break_by", "service")
        return Occupation("port", port, f"sdi12 at {baud} Bd {framing}, break by {by}")

    @classmethod
    def gives(cls, table: Table) -> frozenset[Quantity]:
        """Return what a value has a number for."""
        numbers = _numbers(table)
        return super().gives(table) if numbers is None else frozenset(numbers)

    @classmethod
    def lack(cls, quantity: Quantity) -> tuple[str, str]:
        """Return that no value is said to be this."""
        return "values", f"lacks the number of the {quantity}"


def _numbers(table: Table) -> Mapping[Quantity, int] | None:
    """Return the numbers of values that are given; None where a wrong one hides them."""
    values = table.get("values", {})
    if not isinstance(values, dict) or not all(type(each) is int for each in values.values()):
        return None
    return {each: values[each] for each in QUANTITIES if each in values}


class Sdi12Probe:
    """One instrument, asked once a period when the line is free for it."""

    def __init__(self, reservoir: str, section: Sdi12Section, bus: Sdi12Bus) -> None:
        """Join the line; nothing is opened yet."""
        self._names = (reservoir, section.name)
        self._section = section
        self._bus: Sdi12Bus | None = bus
        bus.join(section.address)
        self._faults = FaultLimit(*self._names, section.period_s)
        self._session: Session | None = None
        self._begun_s = 0.0
        self._due_s = 0.0
        self._answered_s = -math.inf
        self._is_silent = False
        self._diagnosed_s = -math.inf
        self._diagnosis = ""

    def fileno(self) -> int | None:
        """Return the descriptor of the line; None while it is shut."""
        return None if self._bus is None else self._bus.fileno()

    def wake_s(self) -> float:
        """Return when `wake` is to be called next, monotonic s."""
        if self._bus is None:
            return math.inf
        if self._session is not None and self._session.is_over:
            # Its last words came while another probe of the line was read.
            return 0.0
        return min(self._due_s, self._bus.wake_s())

    def readable(self, now: Instant) -> list[Sample]:
        """Take what has arrived on the line, whoever it is for."""
        if self._bus is None:
            return []
        self._bus.readable(now.mono_s)
        return self._outcome(now)

    def wake(self, now: Instant) -> list[Sample]:
        """Begin a conversation that is due, and let the line do what it has to."""
        if self._bus is None:
            return []
        # What is over, by what another probe of the line was read for, is not late.
        samples = self._outcome(now)
        if now.mono_s >= self._due_s:
            samples += self._begin(now, self._bus)
        self._bus.wake(now.mono_s)
        return samples + self._outcome(now)

    def close(self) -> None:
        """Leave the line, which shuts it where nobody else is left; may be called twice."""
        bus, self._bus = self._bus, None
        if bus is None:
            return
        if self._session is not None:
            bus.cancel(self._session)
        bus.leave(self._section.address)

    def _begin(self, now: Instant, bus: Sdi12Bus) -> list[Sample]:
        """Begin a conversation, unless the one before has not even ended."""
        section = self._section
        missed = now.mono_s - self._due_s > section.period_s
        self._due_s = (now.mono_s if missed else self._due_s) + section.period_s
        if self._session is not None:
            return self._overdue(self._session, now, bus)
        one = sdi12_conversation.Instrument(
            section.address,
            sdi12.parse_measurement(section.measurement),
            section.identification or "",
            max((each for each in self._numbers() if each is not None), default=1),
            section.period_s,
            bus.is_alone(section.address),
        )
        if now.mono_s - self._diagnosed_s > DIAGNOSE_S:
            self._diagnosis = ""
        conversation = sdi12_conversation.measure(
            one,
            identify=now.mono_s - self._answered_s > EXCHANGE_S,
            diagnose=not self._diagnosis,
        )
        # One that was silent is not waited for at the cost of the others.
        tries = 1 if self._is_silent else 1 + section.retries
        self._begun_s = now.mono_s
        addressing = Addressing(section.address, section.reply_within_s, tries)
        self._session = Session(addressing, conversation)
        bus.begin(self._session, now.mono_s)
        return []

    def _overdue(self, session: Session, now: Instant, bus: Sdi12Bus) -> list[Sample]:
        """Return that a conversation has not ended in time, and why."""
        section, late_s = self._section, now.mono_s - self._begun_s
        waited_s = (now.mono_s if session.turn_s is None else session.turn_s) - self._begun_s
        if waited_s < late_s / 4.0:
            why = (
                "its conversation is not over; set a longer period_s than"
                f" {section.period_s:g}, and where commands are sent again, check the line, and set"
                f" reply_within_s longer than {section.reply_within_s:g} for a slow adapter"
            )
        else:
            why = (
                f"the line is busy; set a longer period_s than {section.period_s:g} for its probes,"
                ' or a measurement that begins with "C", so that they measure at the same time'
            )
        text = f"{bus.place}: address {section.address} was not read for {late_s:.2g} s: {why}"
        return self._faults.samples(now, text)

    def _outcome(self, now: Instant) -> list[Sample]:
        """Return what a conversation that is over has given."""
        session = self._session
        if session is None or not session.is_over or self._bus is None:
            return []
        self._session = None
        if session.values is None:
            return self._failed(session, now, self._bus)
        self._answered_s, self._is_silent, self._diagnosis = now.mono_s, False, ""
        age_s = max(0.0, round(now.mono_s - session.measured_s, 3))
        return [self._sample(session.values, session.spoken, age_s, now)]

    def _failed(self, session: Session, now: Instant, bus: Sdi12Bus) -> list[Sample]:
        self._answered_s = -math.inf
        if isinstance(session.error, TransportError):
            return self._faults.samples(now, str(session.error))
        why = str(session.error)
        self._is_silent = isinstance(session.error, sdi12_conversation.Silence)
        if self._is_silent and not self._diagnosis:
            self._diagnosis, self._diagnosed_s = why, now.mono_s
        elif self._is_silent:
            why = self._diagnosis
        return self._faults.samples(now, f"{bus.place}: {why}", shown(session.spoken))

    def _numbers(self) -> tuple[int | None, int | None, int | None]:
        values = self._section.values
        return values.conductivity, values.temperature, values.pump

    def _sample(self, values: tuple[float, ...], spoken: str, age_s: float, now: Instant) -> Sample:
        conductivity, temperature, pump = (
            None if each is None else values[each - 1] for each in self._numbers()
        )
        water = self._section.scale.water(conductivity, temperature)
        runs = None if pump is None else pump != 0.0
        ages_s = (0.0 if each is None else age_s for each in water)
        return Sample(*self._names, now, *water, runs, "", shown(spoken), *ages_s)


def _probe(reservoir: str, section: Sdi12Section, buses: Buses) -> Sdi12Probe:
    def bus() -> Sdi12Bus:
        # Eight bits without parity are seven with it, which is made and checked beyond the port.
        line = SerialLine(section.port, section.baud)
        return Sdi12Bus(
            Exchange(
                SerialTransport(line),
                line.character_s,
                has_parity=section.framing == "7E1",
                sends_break=section.break_by == "service",
            )
        )

    return Sdi12Probe(reservoir, section, buses.shared(Sdi12Bus, section.port, bus))


DRIVER = DriverKind(Sdi12Section, _probe)
