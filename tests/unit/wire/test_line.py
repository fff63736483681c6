"""Lines out of bytes, numbers out of lines, and a driver that owes a sample each period."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest
import serial

from daemon.entries import Instant, Sample
from daemon.probes.line import LineProbe, LineSettings
from daemon.wire.line import LINE_LIMIT, Frame, Splitter, Spoken, Unreadable, parse, shown
from daemon.wire.reply import ReplyFormat, reply_pattern
from daemon.wire.units import Scale

REPLY = reply_pattern(r"(?P<conductivity>[-+.\w]+),(?P<temperature>[-+.\w]+)(,(?P<pump>\w+))?")


@pytest.mark.parametrize(
    "said, lines",
    [
        (b"1,2\r", ["1,2"]),
        (b"1,2\n", ["1,2"]),
        (b"1,2\r\n3,4\r\n", ["1,2", "3,4"]),
        (b"\r\n\n\r1,2\n\n", ["1,2"]),
        (b"1,2", []),
        (b"\xff1,2\r", ["\ufffd1,2"]),
    ],
)
def test_a_line_ends_with_cr_or_lf_or_both(said: bytes, lines: list[str]) -> None:
    """However an instrument ends its lines, they are the same lines; empty ones are none."""
    assert lines == [each.text("ascii") for each in Splitter().feed(said)]


def test_a_line_without_end_is_bounded_and_marked() -> None:
    """A wrong baud rate can say a megabyte without a line end, and it is not kept."""
    splitter = Splitter()
    for _ in range(100):
        assert [] == splitter.feed(b"7" * 10_000)
    (frame,) = splitter.feed(b"\r")
    line = frame.text("latin-1")

    assert len(line) == LINE_LIMIT + 1
    with pytest.raises(Unreadable):
        parse(line, reply_pattern(r"(?P<conductivity>\d)(?P<temperature>\d+)"))


def test_a_line_after_one_too_long_is_whole() -> None:
    """What was dropped ends with its own line."""
    assert Frame(b"1,2") == Splitter().feed(b"x" * 1000 + b"\r1,2\r")[-1]


def test_an_unfinished_line_can_be_forgotten() -> None:
    """What was left of an old reply does not begin the next one."""
    splitter = Splitter()
    splitter.feed(b"429")
    splitter.clear()

    assert [Frame(b"1,2")] == splitter.feed(b"1,2\r")


@pytest.mark.parametrize(
    "line, spoken",
    [
        ("42914,24.05", Spoken(42914.0, 24.05)),
        (" 42914,24.05 ", Spoken(42914.0, 24.05)),
        ("-0.02,+7", Spoken(-0.02, 7.0)),
        ("4.29e4,24", Spoken(42900.0, 24.0)),
        ("1,2,1", Spoken(1.0, 2.0, pump=True)),
        ("1,2,ON", Spoken(1.0, 2.0, pump=True)),
        ("1,2,0", Spoken(1.0, 2.0, pump=False)),
        ("1,2,Off", Spoken(1.0, 2.0, pump=False)),
        ("1,2,starting", Spoken(1.0, 2.0, pump=None)),
    ],
)
def test_a_reply_gives_its_numbers(line: str, spoken: Spoken) -> None:
    """Numbers as the instrument said them, and the pump where it says that."""
    assert spoken == parse(line, REPLY)


@pytest.mark.parametrize(
    "line",
    [
        "",
        "R",
        "1;2",
        "1,2,3,4",
        ">1,2",
        "1,2 garbage",
        "nan,2",
        "1,inf",
        "1e999,2",
        "1e300,2",
        "abc,2",
        "1_000,2",
        "1.2.3,4",
        "\u0661,2",
    ],
)
def test_what_is_no_reply_is_refused_with_the_reason(line: str) -> None:
    """No number is made of half a line, of words, or of what no instrument measures."""
    with pytest.raises(Unreadable, match=r"^the reply '"):
        parse(line, REPLY)


def test_a_line_is_shown_short_and_printable() -> None:
    """Control characters of a broken line reach neither a log nor a terminal."""
    text = shown("\x1b[2J\x00é\u202e" + "x" * 500)

    assert text.startswith("\ufffd[2J\ufffdé\ufffdx")
    assert (64, True) == (len(text), text.isprintable())


# --- the driver on such a line; real lines are in tests/services -------------------------------


class FakePort:
    """A serial port in the hands of a test; stands in only to have faults at chosen moments."""

    def __init__(self) -> None:
        """Begin open, silent and without a fault."""
        self.incoming = bytearray()
        self.asked_s: list[float] = []
        self.now_s = 0.0
        self.absent = self.unplugged = self.unwritable = False

    def __call__(self, *_: object, **__: object) -> FakePort:
        """Stand in for the opening of the port."""
        if self.absent:
            raise serial.SerialException(2, "No such file or directory")
        self.incoming.clear()
        return self

    @property
    def in_waiting(self) -> int:
        """How much has come."""
        return len(self.incoming)

    def read(self, size: int) -> bytes:
        """Give what has come, as a port without a timeout does."""
        if self.unplugged:
            raise serial.SerialException("device reports readiness to read but returned no data")
        taken = bytes(self.incoming[:size])
        del self.incoming[:size]
        return taken

    def write(self, request: bytes) -> int:
        """Take a request."""
        if self.unplugged or self.unwritable:
            raise serial.SerialException("write failed: Input/output error")
        self.asked_s.append(self.now_s)
        return len(request)

    def reset_input_buffer(self) -> None:
        """Drop what has come."""
        self.incoming.clear()

    def fileno(self) -> int:
        """Stand in for a descriptor."""
        return 99

    def close(self) -> None:
        """Let go."""


@dataclass
class Bench:
    """A driver on a fake port, and a clock that a test turns on."""

    port: FakePort
    probe: LineProbe
    t_s: float = 0.0
    samples: list[Sample] = field(default_factory=list)

    def run(self, until_s: float, *said: tuple[float, bytes]) -> None:
        """Let time pass in steps of 50 ms while bytes come at their moments."""
        coming = list(said)
        while self.t_s <= until_s:
            now = Instant(NOON + timedelta(seconds=self.t_s), round(self.t_s, 3))
            self.port.now_s = now.mono_s
            while coming and coming[0][0] <= self.t_s:
                self.port.incoming += coming.pop(0)[1]
            if self.probe.fileno() is not None and (self.port.incoming or self.port.unplugged):
                self.samples += self.probe.readable(now)
            self.samples += self.probe.wake(now)
            self.t_s = round(self.t_s + 0.05, 3)

    def values(self) -> list[tuple[float, float]]:
        """When a conductivity came, s, and which, mS/cm."""
        return [
            (each.at.mono_s, round(each.conductivity_mS_cm, 9))
            for each in self.samples
            if each.conductivity_mS_cm is not None
        ]

    def faults(self) -> list[tuple[float, str]]:
        """When a fault was told, s, and which."""
        return [(each.at.mono_s, each.fault) for each in self.samples if each.fault]


NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
ASKED = LineSettings(
    reservoir="mix-1",
    probe="ct-1",
    port="/dev/ttyUSB0",
    reply=ReplyFormat(reply_pattern(r"(?P<conductivity>[\d.]+),(?P<temperature>[\d.]+)")),
    request=b"READ?\n",
    period_s=2.0,
    timeout_s=1.0,
)
TALKING = replace(ASKED, request=b"", timeout_s=6.0)


@pytest.fixture
def bench(monkeypatch: pytest.MonkeyPatch) -> Callable[[LineSettings], Bench]:
    """Makes a driver on a fake port."""

    def make(settings: LineSettings) -> Bench:
        port = FakePort()
        monkeypatch.setattr("daemon.probes.transport.serial.Serial", port)
        monkeypatch.setattr("daemon.probes.transport._present", lambda _: b"")  # `read` gives all
        monkeypatch.setattr("daemon.probes.transport._sent", lambda _, data: port.write(data))
        return Bench(port, LineProbe(settings))

    return make


Make = Callable[[LineSettings], Bench]


def test_each_request_gets_its_reply(bench: Make) -> None:
    """One sample a period, in our units, with the instrument's words kept."""
    on = bench(ASKED)
    on.run(7.0, (0.1, b"50000,24.0\r"), (2.1, b"50100,24.0\r\n"), (4.1, b"50200,"), (4.3, b"24\r"))

    assert [0.0, 2.0, 4.0, 6.0] == on.port.asked_s
    assert [(0.1, 50.0), (2.1, 50.1), (4.3, 50.2)] == on.values()
    assert "50000,24.0" == on.samples[0].spoken


def test_silence_is_a_fault_and_told_once_in_five_seconds(bench: Make) -> None:
    """A driver owes samples; a dead instrument fills no card with them."""
    on = bench(ASKED)
    on.run(60.0)
    times = [t_s for t_s, _ in on.faults()]

    assert 1.0 == times[0]
    assert {6.0} == {round(b - a, 3) for a, b in pairwise(times)}
    assert "no reply on /dev/ttyUSB0 within 1 s; check power, cable, baud" in on.faults()[0][1]
    assert [] == on.values()


def test_garbage_between_replies_is_no_value_and_garbage_instead_is_reported(bench: Make) -> None:
    """Noise before a reply costs nothing; nothing but noise is a fault that shows it."""
    on = bench(ASKED)
    on.run(5.5, (0.1, b"\x80?\r50000,24.0\r7,7,7\r"), (1.0, b"1,1\r"), (2.2, b"hello 9,9\r"))

    assert [(0.1, 50.0)] == on.values()
    assert [3.0] == [t_s for t_s, _ in on.faults()]
    assert "'hello 9,9' does not fit the reply pattern" in on.faults()[0][1]


def test_a_reply_that_comes_too_late_is_not_taken(bench: Make) -> None:
    """After it was given up and before the next request it is of no request."""
    on = bench(ASKED)
    on.run(3.0, (1.5, b"40000,24.0\r"), (2.1, b"50000,24.0\r"))

    assert [(2.1, 50.0)] == on.values()


@pytest.mark.parametrize("cut_s", [0.5, 1.4, 2.0])
def test_the_end_of_a_late_reply_is_no_reply(bench: Make, cut_s: float) -> None:
    """A reply that straddles the next request leaves no digits that pass for a value."""
    on = bench(ASKED)
    on.run(4.9, (cut_s, b"429"), (2.1, b"14,24.0\r"), (4.1, b"50000,24.0\r"))

    assert [(4.1, 50.0)] == on.values()


def test_a_prompt_after_each_reply_costs_no_reply(bench: Make) -> None:
    """What an instrument says after a line end stays out of the next reply, late or not."""
    on = bench(ASKED)
    on.run(
        9.0,
        (0.1, b"50000,24.0\r\n>"),
        (2.1, b"50100,24.0\r\n>"),
        (5.5, b"50200,24.0\r\n>"),
        (6.1, b"50300,24.0\r\n>"),
        (8.1, b"50400,24.0\r\n>"),
    )

    assert [50.0, 50.1, 50.3, 50.4] == [value for _, value in on.values()]


def test_an_instrument_that_sends_without_a_request_is_read(bench: Make) -> None:
    """Nothing is asked; what may be the end of a line begun before the opening is not taken."""
    on = bench(TALKING)
    on.run(7.0, (0.4, b"14,24.0\r"), (2.0, b"50000,24.0\r"), (4.0, b"50100,24.0\r"))

    assert [] == on.port.asked_s
    assert [(2.0, 50.0), (4.0, 50.1)] == on.values()


@pytest.mark.parametrize(
    "said, values",
    [
        ([(0.6, b"50000,24.0\r")], [(0.6, 50.0)]),
        ([(0.3, b"50"), (0.7, b"000,24.0\r"), (2.7, b"50100,24.0\r")], [(2.7, 50.1)]),
        ([(0.1, b"1"), (0.6, b"4,24.0\r"), (2.6, b"50100,24.0\r")], [(2.6, 50.1)]),
    ],
    ids=["after a pause", "a line that took its time", "the end of one"],
)
def test_the_first_line_is_taken_where_it_began_after_a_pause(
    bench: Make, said: list[tuple[float, bytes]], values: list[tuple[float, float]]
) -> None:
    """Who says nothing for half a second is between two lines, and his next one is whole."""
    on = bench(TALKING)
    on.run(4.0, *said)

    assert values == on.values()


def test_an_instrument_that_falls_silent_is_reported(bench: Make) -> None:
    """Without a line for its time-out there is a fault, and on it goes every so often."""
    on = bench(replace(TALKING, timeout_s=10.0))
    on.run(40.0, (0.2, b"x\r"), (2.0, b"50000,24.0\r"))

    assert [12, 22, 32] == [round(t_s) for t_s, _ in on.faults()]
    assert "no line from /dev/ttyUSB0 for 10 s; check power and cable" in on.faults()[0][1]


def test_faults_among_values_are_reported_once_in_five_seconds(bench: Make) -> None:
    """An instrument that says something else between its values makes no flood of faults."""
    on = bench(TALKING)
    on.run(60.0, *((n * 1.0, b"status ok\r50000,24.0\r") for n in range(1, 60)))
    times = [t_s for t_s, _ in on.faults()]

    assert min(b - a for a, b in pairwise(times)) >= 5.0
    assert len(on.values()) >= 58


def test_an_unplugged_adapter_is_reported_and_opened_again(bench: Make) -> None:
    """Pulled in the middle of a reply and put back, the port works again by itself."""
    on = bench(ASKED)
    on.run(2.3, (0.1, b"50000,24.0\r"), (2.1, b"429"))
    on.port.unplugged = on.port.absent = True
    on.run(20.0)
    assert on.probe.fileno() is None
    on.port.unplugged = on.port.absent = False
    on.run(22.0, *((20.0 + n / 2, b"50100,24.0\r") for n in range(4)))

    said = [fault for _, fault in on.faults()]
    assert "is the adapter still plugged in?" in said[0]
    absent = (
        "port /dev/ttyUSB0 cannot be opened: there is no such device; plug the adapter in,"
        " or correct the probe's port"
    )
    assert {absent} == set(said[1:])
    assert min(b - a for (a, _), (b, _) in pairwise(on.faults())) >= 5.0
    assert {50.0, 50.1} == {value for _, value in on.values()}


@pytest.mark.parametrize("failing", ["read", "write"])
def test_a_port_that_fails_is_closed_and_never_raises(bench: Make, failing: str) -> None:
    """Reading or writing may fail at any moment; the driver goes on."""
    on = bench(ASKED)
    on.run(1.9, (0.1, b"50000,24.0\r"))
    on.port.unplugged, on.port.unwritable = failing == "read", True
    on.run(2.5)

    assert any(("reading" if failing == "read" else "writing") in why for _, why in on.faults())


def test_what_the_instrument_means_is_undone(bench: Make) -> None:
    """Declared units and compensation lead to raw mS/cm and °C."""
    on = bench(replace(ASKED, scale=Scale("S/m", "degF", 2.0)))
    on.run(1.0, (0.1, b"5.0,68.0\r"))

    ((_, value),) = on.values()
    assert value == pytest.approx(50.0 * 0.9)
    assert on.samples[0].temperature_C == pytest.approx(20.0)


def test_a_driver_can_be_closed_twice(bench: Make) -> None:
    """Letting go of what was let go of is nothing."""
    on = bench(ASKED)
    on.run(0.5)
    on.probe.close()
    on.probe.close()

    assert on.probe.fileno() is None
