"""The driver of pump contacts, over libgpiod and system calls, to a simulated chip."""

from __future__ import annotations

import errno
import select
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from daemon.config import ConfigError
from daemon.probes import gpio
from simulators.device_socket import DeviceSocket, Stuck
from simulators.gpio import ACTIVE_LOW, PULL_UP, Chip, Contact
from tests.conftest import wait_until
from tests.parts import device_sockets
from tests.parts.device_bench import PUMP_CONTACT, DeviceBench, faults, values

RUNS, RESTS = (None, None, True), (None, None, False)


class Header(Chip):
    """A chip that can be kept from answering.

    Attributes:
        is_stuck: Whether a call of it does not return.
        number: With which error it refuses to be opened; 0 for none.
    """

    is_stuck = False
    number = 0

    def open(self, handle: bytes, call: int, body: bytes) -> bytes:
        """Refuse, if it is to."""
        if self.number:
            raise OSError(self.number, "refused")
        return super().open(handle, call, body)

    def call(self, handle: bytes, call: int, body: bytes) -> tuple[int, bytes]:
        """Keep the caller, if it is to."""
        if self.is_stuck:
            raise Stuck
        return super().call(handle, call, body)


class Board:
    """A board with one chip, a contact at its line 1, and the driver's bench.

    Attributes:
        path: Of the chip.
        contact: At its line.
        bench: The driver and the clock.
        device: How it is there.
    """

    def __init__(self, folder: Path) -> None:
        """Put it there."""
        self.path, self.bench = folder / "gpiochip0", DeviceBench()
        self.contact = Contact("GPIO17")
        contacts = [Contact("ID_SDA"), self.contact]
        self.chip = Header("gpiochip0", "header", contacts, self.bench.clock)
        self.device = DeviceSocket(self.path, self.chip)

    def add(self, line: str = '"GPIO17"', chip: str = "header", more: str = "") -> None:
        """Add a driver."""
        self.bench.add_inputs(PUMP_CONTACT.format(chip=chip, line=line) + more)


@pytest.fixture
def board(monkeypatch: pytest.MonkeyPatch) -> Iterator[Board]:
    """A board whose devices are in a folder of its own."""
    device_sockets.hook()
    with tempfile.TemporaryDirectory() as folder:
        monkeypatch.setattr(gpio, "DEVICES", Path(folder))
        one = Board(Path(folder))
        with one.device:
            yield one
            one.bench.close()


@pytest.mark.parametrize("line", ['"GPIO17"', "1", '"1"'])
@pytest.mark.parametrize("by_label", [True, False])
def test_a_contact_says_whether_the_pump_runs(board: Board, line: str, *, by_label: bool) -> None:
    """Once a period, by any way to name chip and line; nothing is said of the water."""
    board.add(line, "header" if by_label else str(board.path))
    off = board.bench.run(3.0)
    board.contact.closed = True
    on = board.bench.run(4.0)

    assert [RESTS] * 2 == values(off)
    assert [RUNS] == list(dict.fromkeys(values(on)[1:]))
    assert {("", "pump-1")} == {(each.reservoir, each.probe) for each in on}
    assert [] == faults(board.bench.samples)


def test_the_kernel_is_told_how_the_line_is_wired(board: Board) -> None:
    """Low is running, pulled up, and debounced there."""
    board.add(more="debounce_s = 0.2\n")
    board.bench.run(1.0)

    (request,) = board.chip.requests.values()
    assert 0.2 == request.debounce_s
    assert request.flags & ACTIVE_LOW
    assert request.flags & PULL_UP
    assert "brinewright" == board.contact.consumer


def test_a_contact_that_closes_upwards_is_read_so(board: Board) -> None:
    """With active_low = false, a high line means that the pump runs."""
    board.add(more="active_low = false\n")

    assert [RUNS] == values(board.bench.run(1.0))


def test_a_contact_that_chatters_changes_nothing(board: Board) -> None:
    """Only a level that lasts for the debounce time counts."""
    board.add(more="period_s = 0.2\ndebounce_s = 0.15\n")
    board.bench.run(1.0)
    for number in range(40):
        board.contact.closed = number % 2 == 0
        board.chip.settle()
        board.bench.run(0.05)

    assert [RESTS] == list(dict.fromkeys(values(board.bench.samples)))


def test_two_pumps_have_a_line_each_of_one_chip(board: Board) -> None:
    """One line that is in use keeps nothing from the other."""
    second = PUMP_CONTACT.partition("[[input]]")[2].replace("pump-1", "pump-2")
    board.add(more="[[input]]" + second.format(chip=board.path, line='"ID_SDA"'))
    board.chip.contacts[0].consumer, board.contact.closed = "eeprom", True
    samples = board.bench.run(3.0)
    first = [each for each in samples if each.probe == "pump-1"]
    other = [each for each in samples if each.probe == "pump-2"]

    assert [RUNS] * 2 == values(first)
    assert [] == values(other)
    assert "is in use" in faults(other)[0]


def test_a_chip_that_comes_after_the_service_is_found(board: Board) -> None:
    """A fault until then."""
    board.device.unplug()
    board.add()
    before = board.bench.run(3.0)
    board.device.plug()
    after = board.bench.run(4.0)

    assert [] == values(before)
    assert "no GPIO chip has the label header; correct chip: there is no chip" in faults(before)[0]
    assert RESTS in values(after)


def test_a_chip_that_is_lost_is_a_fault_and_the_pump_unknown(board: Board) -> None:
    """Never off, and read again within two periods after it is back."""
    board.contact.closed = True
    board.add()
    board.bench.run(3.0)
    board.device.unplug()
    gone = board.bench.run(10.0)
    board.device.plug()
    back = board.bench.run(4.0)

    assert [] == values(gone)
    assert {None} == {each.pump for each in gone}
    assert all("; " in each for each in faults(gone))
    assert RUNS in values(back)


def test_a_chip_may_go_and_come_back_a_hundred_times(board: Board) -> None:
    """Each time the contact is read again within two periods."""
    board.add(chip=str(board.path))
    board.bench.run(1.0)
    for number in range(100):
        board.device.unplug()
        gone = board.bench.run(2.0)
        board.contact.closed = number % 2 == 0
        board.device.plug()
        back = board.bench.run(4.0)

        assert [] == values(gone)
        assert (RUNS if board.contact.closed else RESTS) == values(back)[-1]
    said = f"line GPIO17 of {board.path}: the device is gone; plug it in"
    assert any(said in each for each in faults(board.bench.samples))


def test_a_chip_that_hangs_delays_nobody(board: Board) -> None:
    """No call waits, the pump is unknown, and the contact is read again afterwards."""
    board.contact.closed = True
    board.add()
    board.bench.run(1.0)
    board.chip.is_stuck, board.bench.hanging = True, {0}
    hung = board.bench.run(9.0)
    board.chip.is_stuck = False
    board.device.release()
    wait_until(lambda: not board.device.parked, "the chip to be free")
    board.bench.hanging = set()
    after = board.bench.run(4.0)

    assert [] == values(hung)
    assert "line GPIO17 of header gives no answer; look whether" in faults(hung)[0]
    assert board.bench.slowest_s < 0.5
    assert RUNS in values(after)


def test_a_read_that_returns_after_it_was_given_up_is_no_value(board: Board) -> None:
    """What it brings was true some time ago, and nobody is woken for it."""
    board.add(more="period_s = 10\n")
    board.bench.run(1.0)
    board.chip.is_stuck, board.bench.hanging = True, {0}
    board.bench.run(13.0)
    board.chip.is_stuck = False
    board.device.release()
    wait_until(lambda: not board.device.parked, "the chip to be free")
    descriptor = board.bench.drivers[0].fileno()
    assert descriptor is not None
    assert not select.select([descriptor], [], [], 0.0)[0]
    late = board.bench.run(3.0)
    board.bench.hanging = set()
    after = board.bench.run(6.0)

    assert [] == values(late)
    assert [RESTS] == values(after)


def test_a_line_is_given_back_at_the_end(board: Board) -> None:
    """Closed once or twice, the line is free for another program, and nothing is watched."""
    board.add()
    board.bench.run(3.0)
    (driver,) = board.bench.drivers
    before = board.contact.consumer
    driver.close()
    driver.close()
    wait_until(lambda: not board.contact.consumer, "the line to be free")

    assert "brinewright" == before
    assert driver.fileno() is None


def test_a_line_whose_chip_hangs_is_given_back_when_the_call_returns(board: Board) -> None:
    """The end of the service does not wait for it."""
    board.add()
    board.bench.run(1.0)
    board.chip.is_stuck, board.bench.hanging = True, {0}
    board.bench.run(3.0)
    board.bench.close()
    during = board.contact.consumer
    board.chip.is_stuck = False
    board.device.release()
    wait_until(lambda: not board.contact.consumer, "the line to be free")

    assert "brinewright" == during


def test_a_line_that_another_program_has_is_left_to_it(board: Board) -> None:
    """And taken once it is free."""
    board.contact.consumer = "fan"
    board.add()
    (said,) = faults(board.bench.run(1.0))
    board.contact.consumer = ""

    assert "line GPIO17 of header is in use; stop the program that has it" in said
    assert [RESTS] == values(board.bench.run(2.0))


@pytest.mark.parametrize(
    "line, chip, says",
    [
        ('"GPIO99"', "header", "chip header has no line GPIO99; correct line: it has 2 lines"),
        ("2", "header", "chip header has no line 2; correct line: it has 2 lines"),
        ("1", "haeder", "no GPIO chip has the label haeder; correct chip: there are header"),
    ],
)
def test_a_line_or_a_chip_that_is_not_there_is_named(
    board: Board, line: str, chip: str, says: str
) -> None:
    """With what there is."""
    board.add(line, chip)

    (said,) = faults(board.bench.run(1.0))
    assert says in said


def test_a_label_that_two_chips_have_is_no_name(board: Board) -> None:
    """Nothing is guessed; a link to the same chip is no second one."""
    (board.path.parent / "gpiochip4").symlink_to(board.path)
    board.add()
    assert [RESTS] == values(board.bench.run(1.0))
    board.bench.close()

    twin = Header("gpiochip1", "header", [Contact("GPIO17")], board.bench.clock)
    with DeviceSocket(board.path.parent / "gpiochip1", twin):
        board.bench.drivers.clear()
        board.add()
        (said,) = faults(board.bench.run(1.0))
    assert "2 chips have the label header; name the device in chip instead" in said


def test_a_chip_without_bias_says_what_to_do(board: Board) -> None:
    """An outer resistor does the same."""
    board.chip.has_bias = False
    board.add()

    (said,) = faults(board.bench.run(1.0))
    assert "put a resistor there and set bias = 'none'" in said


@pytest.mark.parametrize(
    "number, says",
    [
        (errno.EACCES, "no permission; sudo usermod -aG "),
        (errno.EPERM, "the service may not open it; sudo systemctl restart brinewright-measure"),
    ],
)
def test_missing_rights_are_told_with_what_to_do(board: Board, number: int, says: str) -> None:
    """Those of the device, and those of the service."""
    board.chip.number = number
    board.add()

    (said,) = faults(board.bench.run(1.0))
    assert f"line GPIO17 of header: {says}" in said


def test_a_line_serves_one_input(board: Board) -> None:
    """A second one would find it in use."""
    second = PUMP_CONTACT.partition("[[input]]")[2].replace("pump-1", "pump-2")
    more = "[[input]]" + second.format(chip="header", line='"GPIO17"')
    with pytest.raises(ConfigError) as caught:
        board.add(more=more)

    (said,) = caught.value.faults
    assert "input[pump-2].line = 'GPIO17' is line GPIO17 of header, which input pump-1 uses" in said


@pytest.mark.parametrize(
    "wrong, says",
    [
        ('bias = "up"', "bias = 'up' is not allowed; give one of 'pull-up'"),
        ("debounce_s = 6", "debounce_s = 6 is not allowed; give a number from 0 to 5 seconds"),
        ("active_low = 1", "active_low = 1 is not allowed; give true or false"),
    ],
)
def test_a_wrong_key_is_a_sentence(board: Board, wrong: str, says: str) -> None:
    """What is allowed."""
    with pytest.raises(ConfigError) as caught:
        board.add(more=wrong)

    assert any(says in each for each in caught.value.faults)


def test_a_contact_is_no_probe(board: Board) -> None:
    """It measures no conductivity."""
    text = PUMP_CONTACT.format(chip="header", line=1).replace("[[input]]", "[[reservoir.probe]]")
    with pytest.raises(ConfigError) as caught:
        board.bench.add_probes(text)

    assert any("gives no conductivity" in each for each in caught.value.faults)
