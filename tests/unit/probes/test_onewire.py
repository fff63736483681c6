"""The driver of 1-Wire thermometers: what it reads, and what it says is wrong."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from daemon.config import ConfigError, parse
from daemon.entries import Sample
from daemon.probes import registry
from daemon.probes.driver import Buses
from daemon.probes.registry import SECTIONS
from simulators.onewire import BUS, OneWireBus, scratchpad, w1_slave_text
from tests.parts.configurations import configuration
from tests.parts.driver_stages import CELL_ELSEWHERE, FILE, input_of
from tests.parts.reading_by_turns import Turns

DEVICE = "28-0316a2798eff"
SECOND = "28-0000075c293f"


@pytest.fixture
def bus(tmp_path: Path) -> OneWireBus:
    """A bus with one thermometer in water of 24.5 °C."""
    made = OneWireBus.at(tmp_path)
    made.measure(DEVICE, 24.5)
    return made


def keys(bus: OneWireBus, more: str = "") -> str:
    """The keys of a section that reads the thermometer."""
    return f'driver = "onewire"\ndevice = "{DEVICE}"\nsysfs = "{bus.tree.root}"\n{more}'


@pytest.fixture
def thermometer(bus: OneWireBus) -> Iterator[Turns]:
    """The driver of that thermometer."""
    turns = Turns(input_of(keys(bus)))
    yield turns
    turns.driver.close()


def test_it_gives_the_temperature_and_nothing_else(thermometer: Turns) -> None:
    """Conductivity and pump are unknown, which is no fault; the words are those of the chip."""
    at = thermometer.now()
    words = "88 01 4b 46 7f ff 08 10 76 t=24500"

    assert [Sample("", "input-1", at, None, 24.5, None, "", words)] == thermometer.turn()


def test_a_change_is_seen_at_the_next_reading(bus: OneWireBus, thermometer: Turns) -> None:
    """Each period has the chip convert again."""
    read = []
    for temperature_C in (24.5, 24.5625, -0.0625, 30.0):
        bus.measure(DEVICE, temperature_C)
        read += [each.temperature_C for each in thermometer.turn()]

    assert [24.5, 24.562, -0.062, 30.0] == read


def test_a_temperature_is_as_old_as_its_read_was_long(thermometer: Turns) -> None:
    """A conversion takes its time, and more where the bus is busy; what is not there has no age."""
    (sample,) = thermometer.slow_turn(1.25)

    assert 24.5 == sample.temperature_C
    assert (0.0, 1.25) == (sample.conductivity_age_s, sample.temperature_age_s)
    assert [0.0] == [each.temperature_age_s for each in thermometer.turn()]


@pytest.mark.parametrize("file", ["w1_slave", "temperature"])
def test_what_was_never_measured_is_a_fault(bus: OneWireBus, file: str) -> None:
    """After power-on, with a weak supply, and while a conversion lasts: in either file."""
    turns = Turns(input_of(keys(bus, f'file = "{file}"\n')))
    assert [24.5] == [each.temperature_C for each in turns.turn()]
    bus.power_on(DEVICE)
    assert "after power-on" in turns.fault()
    bus.weaken(DEVICE)
    assert "supply is too weak" in turns.fault()
    bus.say_nothing(DEVICE)
    assert f"{file} is empty" in turns.fault()
    turns.driver.close()


def test_hot_water_is_followed_through_85_degrees(bus: OneWireBus) -> None:
    """Beside its neighbours it is a reading; a quarter of an hour later it is not."""
    turns = Turns(input_of(keys(bus, 'file = "temperature"\n')))
    for temperature_C in (84.5, 85.0, 85.0, 85.5):
        bus.measure(DEVICE, temperature_C)
        assert [temperature_C] == [each.temperature_C for each in turns.turn()]
    bus.measure(DEVICE, 85.0)
    turns.t_s += 900.0

    assert "after power-on" in turns.fault()
    turns.driver.close()


def test_bytes_that_were_spoilt_on_the_way_are_a_fault(bus: OneWireBus, thermometer: Turns) -> None:
    """The kernel says NO, and shows the number of an earlier reading, which is not taken."""
    spoilt = bytes([0xFF, *scratchpad(392)[1:]])
    bus.disturb(DEVICE, spoilt, last_C=24.5)

    assert "the CRC of ff 01 4b 46" in thermometer.fault()
    bus.short(DEVICE)
    assert "shorted to ground" in thermometer.fault()


def test_it_is_found_again_at_the_next_reading(bus: OneWireBus, thermometer: Turns) -> None:
    """Off the bus it is a fault that names those that are there; back, it is read."""
    bus.measure(SECOND, 20.0)
    bus.unplug(DEVICE)
    fault = thermometer.fault()
    bus.measure(DEVICE, 25.0)

    assert fault.startswith(f"thermometer {DEVICE}: it is not on the bus")
    assert f"there are {SECOND};" in fault
    assert [25.0] == [each.temperature_C for each in thermometer.turn()]


def test_a_kernel_without_1_wire_is_told_how_to_have_it(tmp_path: Path) -> None:
    """So is one that has no driver for the chip."""
    turns = Turns(input_of(keys(OneWireBus.at(tmp_path))))
    assert "where there is none" in turns.fault()
    (tmp_path / BUS / DEVICE).mkdir()
    assert "modprobe w1-therm" in turns.fault()
    OneWireBus.at(tmp_path).tree.remove("bus/w1")
    assert "dtoverlay=w1-gpio" in turns.fault()
    turns.driver.close()


def test_a_file_that_may_not_be_read_names_the_right(bus: OneWireBus, tmp_path: Path) -> None:
    """A folder in the place of the file is no reading either."""
    file = tmp_path / BUS / DEVICE / "w1_slave"
    file.unlink()
    file.mkdir()
    turns = Turns(input_of(keys(bus)))

    assert "w1_slave: it cannot be read (Is a directory); read it by hand" in turns.fault()
    turns.driver.close()


def test_a_read_that_hangs_is_a_fault_that_says_for_how_long(
    bus: OneWireBus, thermometer: Turns
) -> None:
    """The driver never waits, and reads on when the kernel comes back."""
    thermometer.turn()
    bus.tree.hang(f"{BUS}/{DEVICE}/w1_slave")
    faults = [each.fault for each in thermometer.hang(13.0)]
    bus.tree.let_go(f"{BUS}/{DEVICE}/w1_slave")
    bus.unplug(DEVICE)
    bus.measure(DEVICE, 26.0)
    thermometer.t_s += 30.0
    came = thermometer.turn(3)

    assert ["has not answered for 5 s", "has not answered for 10 s"] == [
        each.partition(": ")[2].partition(";")[0] for each in faults
    ]
    assert 26.0 == came[-1].temperature_C


def test_one_that_hangs_delays_no_other(bus: OneWireBus, thermometer: Turns) -> None:
    """Another thermometer of the same bus is read meanwhile."""
    bus.measure(SECOND, 21.0)
    bus.tree.hang(f"{BUS}/{DEVICE}/w1_slave")
    thermometer.driver.wake(thermometer.now())
    other = Turns(input_of(keys(bus).replace(DEVICE, SECOND)))

    assert [21.0] * 5 == [each.temperature_C for each in other.turn(5)]
    other.driver.close()
    bus.tree.let_go(f"{BUS}/{DEVICE}/w1_slave")


def test_a_hundred_pulled_plugs_cost_one_reading_each(bus: OneWireBus, thermometer: Turns) -> None:
    """It is read at the first period after it is back, each time."""
    for number in range(100):
        bus.unplug(DEVICE)
        gone = thermometer.turn(3)
        assert all(each.temperature_C is None for each in gone)
        bus.measure(DEVICE, 20.0 + number / 16.0)
        (back,) = thermometer.turn()
        assert back.temperature_C == pytest.approx(20.0 + number / 16.0, abs=0.001)


def test_a_file_that_changes_while_it_is_read_gives_no_wrong_value(
    bus: OneWireBus, thermometer: Turns
) -> None:
    """Empty, or cut at any place: a fault or nothing, and the right number once it is whole."""
    file = f"{BUS}/{DEVICE}/w1_slave"
    text = (bus.tree.root / file).read_text(encoding="ascii")
    for length in range(len(text)):
        bus.tree.write(file, text)
        bus.tree.cut(file, length)
        assert all(each.temperature_C is None for each in thermometer.turn())
    bus.tree.write(file, text)

    assert [24.5] == [each.temperature_C for each in thermometer.turn()]


def test_a_file_that_is_written_piece_by_piece_gives_no_wrong_value(
    bus: OneWireBus, thermometer: Turns
) -> None:
    """Whatever state a reader meets, it takes one of the two temperatures or none."""
    file, ended = f"{BUS}/{DEVICE}/w1_slave", threading.Event()
    texts = [w1_slave_text(scratchpad(register)) for register in (392, -8)]

    def write() -> None:
        while not ended.is_set():
            for text in texts:
                bus.tree.write_slowly(file, text)

    writer = threading.Thread(target=write)
    writer.start()
    values = [each.temperature_C for each in thermometer.turn(300)]
    ended.set()
    writer.join()

    assert {24.5, -0.5} >= set(values) - {None}
    bus.tree.write(file, texts[0])
    assert [24.5] == [each.temperature_C for each in thermometer.turn()]


@pytest.mark.parametrize(
    "wrong, sentence",
    [
        ('device = "28-316a2798eff"', "a thermometer such as '28-0316a2798eff'"),
        ('device = "../28-0316a2798eff"', "a thermometer such as '28-0316a2798eff'"),
        ('device = "29-0316a2798eff"', "a thermometer such as '28-0316a2798eff'"),
        (f'device = "{DEVICE}"\nfile = "id"', "one of 'w1_slave', 'temperature'"),
        (f'device = "{DEVICE}"\ntimeout_s = 0', "a number from 1 to 60 seconds"),
    ],
)
def test_a_wrong_key_is_told_what_it_may_be(wrong: str, sentence: str) -> None:
    """As for every section."""
    with pytest.raises(ConfigError) as caught:
        parse(FILE + CELL_ELSEWHERE + f'driver = "onewire"\n{wrong}\n', Path("b.toml"), SECTIONS)

    assert any(sentence in each for each in caught.value.faults)


def test_one_thermometer_is_one_section() -> None:
    """An input can serve several probes, so a second section that reads it is refused."""
    second = f'[[input]]\nname = "input-2"\ndriver = "onewire"\ndevice = "{DEVICE}"\n'
    text = FILE + CELL_ELSEWHERE + f'driver = "onewire"\ndevice = "{DEVICE}"\n{second}'
    with pytest.raises(ConfigError) as caught:
        parse(text, Path("b.toml"), SECTIONS)

    assert DEVICE in " ".join(caught.value.faults)


def test_a_thermometer_alone_is_no_probe() -> None:
    """It gives no conductivity; the sentence says so."""
    section = f'[[reservoir.probe]]\nname = "ct-1"\ndriver = "onewire"\ndevice = "{DEVICE}"\n'
    with pytest.raises(ConfigError, match="conductivity"):
        parse(configuration(section), Path("b.toml"), SECTIONS)


def test_nothing_is_opened_before_the_first_wake(bus: OneWireBus) -> None:
    """A driver that is made has no descriptor and no thread."""
    config = parse(FILE + CELL_ELSEWHERE + keys(bus), Path("b.toml"), SECTIONS)
    driver = registry.make("", config.inputs[0], Buses())

    assert driver.fileno() is None
    driver.close()
