"""The driver of Industrial I/O: which device it reads, what of it, and what it says is wrong."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from daemon.config import ConfigError, parse
from daemon.probes import registry
from daemon.probes.driver import Buses, Driver
from daemon.probes.registry import SECTIONS
from daemon.probes.sysfs import content_if_there
from simulators.iio import CONDUCTIVITY, NODES, TEMPERATURE, IioDevice
from simulators.sysfs import Tree
from tests.parts.configurations import configuration
from tests.parts.driver_stages import FILE, driver_of, input_of
from tests.parts.reading_by_turns import Turns

BOTH = f'conductivity = "{CONDUCTIVITY}"\ntemperature = "{TEMPERATURE}"\ncompensation = "none"\n'
LABEL = '{ label = "quarantine" }'


def device(folder: Path, **facts: Any) -> IioDevice:  # noqa: ANN401 - whatever a device has
    """A device in water of 50.31 mS/cm and 24.5 °C."""
    made = IioDevice.at(folder, **{"label": "quarantine", **facts})
    made.measure(50.31, 24.5)
    return made


class Opening:
    """Drivers of a folder in the place of /sys, which are closed after the test."""

    def __init__(self, folder: Path) -> None:
        """Begin with none."""
        self._folder = folder
        self._open: list[Turns] = []

    def __call__(self, which: str = LABEL, channels: str = BOTH) -> Turns:
        """A probe that reads channels of a device."""
        return self._kept(driver_of(self._keys(which, channels)))

    def input(self, channels: str) -> Turns:
        """An input that gives a probe its temperature."""
        return self._kept(input_of(self._keys(LABEL, channels)))

    def contact(self, channels: str) -> Turns:
        """An input that nobody names."""
        text = configuration(f'[[input]]\nname = "pump-1"\n{self._keys(LABEL, channels)}')
        section = parse(text, Path("b.toml"), SECTIONS).inputs[0]
        return self._kept(registry.make("", section, Buses()))

    def close(self) -> None:
        """Close them all."""
        for each in self._open:
            each.driver.close()

    def _keys(self, which: str, channels: str) -> str:
        return f'driver = "iio"\ndevice = {which}\n{channels}sysfs = "{self._folder}"\n'

    def _kept(self, driver: Driver) -> Turns:
        self._open.append(Turns(driver))
        return self._open[-1]


@pytest.fixture
def turns(tmp_path: Path) -> Iterator[Opening]:
    """Drivers that read a folder in the place of /sys."""
    opening = Opening(tmp_path)
    yield opening
    opening.close()


def read(one: Turns) -> list[tuple[float | None, float | None]]:
    """What the next turn gives, to the thousandth of a µS/cm."""
    return [
        (each.conductivity_mS_cm and round(each.conductivity_mS_cm, 6), each.temperature_C)
        for each in one.turn()
    ]


def test_both_channels_in_our_units(tmp_path: Path, turns: Opening) -> None:
    """Siemens per metre and thousandths of a degree; the words name channel and value."""
    device(tmp_path)
    (sample,) = turns().turn()

    assert sample.conductivity_mS_cm == pytest.approx(50.31)
    assert 24.5 == sample.temperature_C
    assert f"{CONDUCTIVITY}=5.031 {TEMPERATURE}=24500" == sample.spoken
    assert "" == sample.fault


def test_what_the_kernel_scaled_and_what_has_an_offset(tmp_path: Path, turns: Opening) -> None:
    """`_input` is taken where there is one; an offset is added before the scale."""
    device(
        tmp_path,
        scales={CONDUCTIVITY: "0.000100000", TEMPERATURE: "31.250000000"},
        offsets={TEMPERATURE: "-272"},
        processed=frozenset({CONDUCTIVITY}),
    )
    one = turns()

    assert [(50.31, 24.5)] == read(one)


def test_a_scale_of_all_channels_of_a_type(tmp_path: Path, turns: Opening) -> None:
    """in_temp_scale stands for in_temp0, too; one of its own comes first, even an empty one."""
    one_device = device(tmp_path)
    one_device.tree.write(f"{one_device.folder}/in_temp0_raw", "2450\n")
    one = turns(channels=BOTH.replace('"in_temp"', '"in_temp0"'))
    assert [(50.31, 24.5)] == read(one)
    one_device.tree.write(f"{one_device.folder}/in_temp0_scale", "")

    assert "in_temp0_scale is empty" in one.fault()


def test_one_of_the_two_alone(tmp_path: Path, turns: Opening) -> None:
    """A thermometer as an input; what it does not give is None, and no fault."""
    device(tmp_path)
    (sample,) = turns.input('temperature = "in_temp"\n').turn()

    assert (None, 24.5, None, "") == (
        sample.conductivity_mS_cm, sample.temperature_C, sample.pump, sample.fault,
    )  # fmt: skip


def test_a_driver_of_the_kernel_that_keeps_to_no_unit(tmp_path: Path, turns: Opening) -> None:
    """Declared, never guessed: 50.31 where the documentation wants 5.031."""
    device(tmp_path, scales={CONDUCTIVITY: "0.000100000", TEMPERATURE: "10"}).measure(503.1, 24.5)
    one = turns(channels=BOTH + 'conductivity_unit = "mS/cm"\n')

    assert [(50.31, 24.5)] == read(one)


def test_compensation_is_undone(tmp_path: Path, turns: Opening) -> None:
    """By the temperature of the same device: 51.0 at 25 °C and 2 %/°C is 50.49 at 24.5 °C."""
    device(tmp_path).measure(51.0, 24.5)
    rule = "{ linear_percent_per_C = 2.0, reference_C = 25 }"
    one = turns(channels=BOTH.replace('"none"', rule))
    ((conductivity, _),) = read(one)

    assert 50.49 == pytest.approx(conductivity)


def test_a_device_that_compensates_by_a_number_that_stays_is_refused(
    tmp_path: Path, turns: Opening
) -> None:
    """Water at 20 °C that it takes for 25 °C is what it measures; told 20 °C, it is not."""
    own = device(tmp_path)
    own.tree.write(f"{own.folder}/out_temp_scale", "10\n")
    own.tree.write(f"{own.folder}/out_temp_raw", "2500\n")
    one = turns()
    assert [(50.31, 24.5)] == read(one)
    own.tree.write(f"{own.folder}/out_temp_raw", "2000\n")

    assert "out_temp_raw has it compensate for water of 20 °C; write 25 °C" in one.fault()


@pytest.mark.parametrize(
    "level, runs", [(200.0, True), (150.0, True), (120.0, None), (100.0, False), (0.0, False)]
)
def test_a_current_tells_whether_the_pump_runs(
    tmp_path: Path, turns: Opening, level: float, *, runs: bool | None
) -> None:
    """Between the two levels nobody knows, which is no standstill."""
    device(tmp_path, scales={"in_current0": "0.5"})._show("in_current0", level)  # noqa: SLF001
    keys = 'pump = "in_current0"\npump_above = 150\npump_below = 100\n'
    (sample,) = turns.contact(keys).turn()

    assert runs is sample.pump


def test_it_is_found_under_another_index(tmp_path: Path, turns: Opening) -> None:
    """What takes its old place is not read: an index is no name."""
    own = device(tmp_path)
    one = turns()
    assert [(50.31, 24.5)] == read(one)
    own.unplug()
    device(tmp_path, label="other", index=0).measure(1.0, 99.0)
    assert "none is called so, there are iio:device0 ec-sensor" in one.fault()
    own.plug(7)

    assert [(50.31, 24.5)] == read(one)


@pytest.mark.parametrize(
    "which",
    [
        '{ name = "ec-2" }',
        '{ label = "second" }',
        '{ of_node = "/soc/i2c@1/ec@65" }',
        '{ name = "ec-2", label = "second" }',
    ],
)
def test_it_is_told_from_others_by_what_it_says_of_itself(
    tmp_path: Path, turns: Opening, which: str
) -> None:
    """By name, by label, by its place in the device tree, or by several of them."""
    device(tmp_path, name="ec-1", label="first", node="/soc/i2c@1/ec@64", index=1)
    device(tmp_path, name="ec-2", label="second", node="/soc/i2c@1/ec@65", index=2).measure(40, 20)
    one = turns(which)

    assert [(40.0, 20.0)] == read(one)


def test_two_devices_of_one_name_are_a_fault(tmp_path: Path, turns: Opening) -> None:
    """Also where the second comes later; neither is guessed."""
    device(tmp_path, label="a", index=3)
    one = turns('{ name = "ec-sensor" }')
    assert [(50.31, 24.5)] == read(one)
    device(tmp_path, label="b", index=12)

    assert "iio:device3 and iio:device12 are both called so" in one.fault()


def test_a_scale_that_changed_is_read_again(tmp_path: Path, turns: Opening) -> None:
    """Each reading takes the scale of its own moment."""
    own = device(tmp_path)
    one = turns()
    assert [(50.31, 24.5)] == read(one)
    own.change_scale(CONDUCTIVITY, "0.000001000")
    own.measure(50.31, 24.5)

    assert [(50.31, 24.5)] == read(one)


@pytest.mark.parametrize("changes, is_read", [(1, True), (2, False)])
def test_a_scale_that_changes_while_it_is_read_is_never_mistaken(
    tmp_path: Path,
    turns: Opening,
    monkeypatch: pytest.MonkeyPatch,
    changes: int,
    *,
    is_read: bool,
) -> None:
    """Once, as by another range, it is read again; where it does not rest, there is a fault."""
    own = device(tmp_path)
    scales = iter(["0.000001000", "0.000010000"][:changes])

    def reading(path: Path) -> bytes | None:
        found = content_if_there(path)
        if path.name == f"{CONDUCTIVITY}_raw" and (scale := next(scales, None)) is not None:
            own.change_scale(CONDUCTIVITY, scale)
            own.measure(50.31, None)
        return found

    monkeypatch.setattr("daemon.probes.iio.content_if_there", reading)
    (sample,) = turns().turn()

    assert is_read == (sample.conductivity_mS_cm is not None)
    if is_read:
        assert sample.conductivity_mS_cm == pytest.approx(50.31)
    else:
        assert f"{CONDUCTIVITY}_scale changes while" in sample.fault


@pytest.mark.parametrize(
    "file, text, sentence",
    [
        (f"{CONDUCTIVITY}_raw", "", f"{CONDUCTIVITY}_raw is empty"),
        (f"{CONDUCTIVITY}_raw", "50310", "is cut or no number"),
        (f"{TEMPERATURE}_raw", "24500 m\n", "is cut or no number"),
        (f"{CONDUCTIVITY}_scale", "0.0000", "is cut or no number"),
    ],
)
def test_a_file_that_is_no_number_is_a_fault(
    tmp_path: Path, turns: Opening, file: str, text: str, sentence: str
) -> None:
    """And the reading is whole again with the file."""
    own = device(tmp_path)
    before = (tmp_path / own.folder / file).read_text(encoding="ascii")
    one = turns()
    own.tree.write(f"{own.folder}/{file}", text)
    assert sentence in one.fault()
    own.tree.write(f"{own.folder}/{file}", before)

    assert [(50.31, 24.5)] == read(one)


def test_files_that_change_while_they_are_read_give_no_wrong_value(
    tmp_path: Path, turns: Opening
) -> None:
    """Cut at any place: a fault or nothing."""
    own = device(tmp_path)
    one = turns()
    for file in (f"{CONDUCTIVITY}_raw", f"{CONDUCTIVITY}_scale", f"{TEMPERATURE}_raw"):
        text = (tmp_path / own.folder / file).read_text(encoding="ascii")
        for length in range(len(text)):
            own.tree.write(f"{own.folder}/{file}", text)
            own.tree.cut(f"{own.folder}/{file}", length)
            assert all(each == (None, None) for each in read(one))
        own.tree.write(f"{own.folder}/{file}", text)

    assert [(50.31, 24.5)] == read(one)


def test_a_hundred_pulled_plugs_cost_one_reading_each(tmp_path: Path, turns: Opening) -> None:
    """Each time it comes back under another index, and is read at the first period after."""
    own = device(tmp_path)
    one = turns()
    for number in range(100):
        own.unplug()
        assert all(each == (None, None) for each in read(one) + read(one))
        own.measure(50.0 + number / 100.0, 20.0)
        own.plug(number % 7)
        ((conductivity, temperature_C),) = read(one)
        assert (round(50.0 + number / 100.0, 6), 20.0) == (conductivity, temperature_C)


def test_a_read_that_hangs_is_a_fault_that_says_for_how_long(
    tmp_path: Path, turns: Opening
) -> None:
    """The loop never waits, and reading goes on once the kernel comes back."""
    own = device(tmp_path)
    raw = f"{own.folder}/{CONDUCTIVITY}_raw"
    one = turns()
    own.tree.hang(raw)
    faults = [each.fault for each in one.hang(6.0)]
    own.tree.let_go(raw)
    own.tree.write(raw, "503100\n")
    one.t_s += 30.0
    one.turn(2)

    assert ["IIO device with label 'quarantine': has not answered for 5 s"] == [
        each.partition(";")[0] for each in faults
    ]
    assert [(50.31, 24.5)] == read(one)


def test_a_kernel_without_such_devices_is_told_how_to_have_them(
    tmp_path: Path, turns: Opening
) -> None:
    """So is one whose device has no such channel."""
    one = turns()
    assert "the kernel has no Industrial I/O device; put the overlay" in one.fault()
    device(tmp_path, scales={TEMPERATURE: "10"})

    assert f"there is neither {CONDUCTIVITY}_raw nor {CONDUCTIVITY}_input" in one.fault()


def test_a_link_to_the_device_tree_that_leads_nowhere_is_no_fit(
    tmp_path: Path, turns: Opening
) -> None:
    """As where the tree was taken away."""
    device(tmp_path, node="/soc/i2c@1/ec@64")
    one = turns('{ of_node = "/soc/i2c@1/ec@64" }')
    assert [(50.31, 24.5)] == read(one)
    Tree(tmp_path).remove(NODES)

    assert "none is called so" in one.fault()


@pytest.mark.parametrize(
    "keys, sentence",
    [
        (f"device = {{}}\n{BOTH}", "says nothing of the device; give its name, label or of_node"),
        (f"device = {LABEL}\n", "conductivity is missing"),
        (f'device = {LABEL}\nconductivity = "{CONDUCTIVITY}"\n', "compensation is missing"),
        (f"device = {LABEL}\n{BOTH}".replace("in_temp", "../in_temp"), "in_temp', without _raw"),
        (f'device = {LABEL}\n{BOTH}pump = "in_current0"\n', "lacks pump_above"),
        (f"device = {LABEL}\n{BOTH}pump_above = 1\npump_below = 2\n", "must not be"),
        (f'device = {LABEL}\n{BOTH}conductivity_unit = "S"\n', "one of 'S/m', 'mS/cm', 'uS/cm'"),
        (f'device = {{ of_node = "soc" }}\n{BOTH}', "a place in the device tree such as"),
        (f'device = {{ lable = "x" }}\n{BOTH}', "the nearest is label"),
    ],
)
def test_a_wrong_key_is_told_what_it_may_be(keys: str, sentence: str) -> None:
    """As for every section."""
    with pytest.raises(ConfigError) as caught:
        parse(f'{FILE}driver = "iio"\n{keys}', Path("b.toml"), SECTIONS)

    assert any(sentence in each for each in caught.value.faults), caught.value.faults
