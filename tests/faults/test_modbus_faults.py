"""Faults of a Modbus line and of a connection: each is a sentence, and none a wrong value."""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest

from simulators.modbus import Fault, Memory, ModbusUnits, OtherMaster, RtuSpeaker, water_unit
from simulators.scenarios import plain_batch
from simulators.stage import Stage
from tests.parts.configurations import configuration
from tests.parts.driver_batch import DriverBatch
from tests.parts.modbus_devices import FLOATS, OnHost, OnLine, noted

KEYS = """
[[reservoir.probe]]
name = "{name}"
driver = "modbus"
{way}
unit = {unit}
conductivity = {{ register = 0, format = "float32", word_order = "CDAB" }}
temperature = {{ register = 2, format = "float32", word_order = "CDAB" }}
units = {{ conductivity = "mS/cm", temperature = "degC" }}
compensation = "none"
period_s = {period_s}
"""
PERIOD_S = 2.0


def sections(way: str, units: Sequence[int] = (1,), period_s: float = PERIOD_S) -> str:
    """A configuration whose probes are units of one line or host."""
    probes = [
        KEYS.format(name=f"ct-{number}", way=way, unit=unit, period_s=period_s)
        for number, unit in enumerate(units, start=1)
    ]
    return configuration("".join(probes))


def steady() -> Stage:
    """Water in which nothing happens."""
    return Stage.setting(plain_batch(), seed=1)


def line(tmp_path: Path, *addresses: int) -> tuple[str, OnLine]:
    """A line with units of these addresses in the same water, and how it is configured."""
    stage, link = steady(), tmp_path / "ttyUSB0"
    units = ModbusUnits({each: water_unit(stage, *FLOATS) for each in addresses})
    return f'port = "{link}"', OnLine(link, units, stage)


def host(*addresses: int) -> tuple[str, OnHost]:
    """The same behind a host."""
    stage = steady()
    one = OnHost(stage, ModbusUnits({each: water_unit(stage, *FLOATS) for each in addresses}))
    return f'host = "127.0.0.1"\ntcp_port = {one.host.port}', one


def values(batch: DriverBatch, probe: str = "ct-1") -> list[tuple[float, float]]:
    """When a conductivity came, simulated s, and which."""
    return [
        (each.at.mono_s - 1000.0, each.conductivity_mS_cm)
        for each in batch.samples
        if each.probe == probe and each.conductivity_mS_cm is not None
    ]


ON_A_LINE = [
    (
        Fault.SILENT,
        "no answer within 0.5 s; check its power, the wires A and B (also swapped), its",
    ),
    (Fault.WRONG_CRC, "the check value (CRC) of"),
    (Fault.TRUNCATED, "the answer broke off after 10 of 13 bytes"),
    (Fault.LATE, "no answer within 0.5 s"),
    (Fault.PREVIOUS, "no answer within 0.5 s"),
    (Fault.WRONG_ADDRESS, "unit 2 answered instead of unit 1; check that each unit has an address"),
    (Fault.WRONG_FUNCTION, "an answer to function 4 came instead of 3"),
    (Fault.WRONG_COUNT, "an answer of 10 bytes came instead of 8, to a request that was not the"),
    (Fault.BUSY, "unit 1 refuses (exception 6): it is busy; raise period_s"),
    (Fault.FAILED, "unit 1 refuses (exception 4): it has failed"),
    (Fault.ONLY_ECHO, "only the echo of the request came back"),
    (Fault.NOISE, "check baud, parity and stopbits"),
    (Fault.NOISE_BEFORE, "check baud, parity and stopbits"),
]
OVER_TCP = [
    (Fault.SILENT, "no answer within 0.5 s; check the address 1 of the unit"),
    (Fault.TRUNCATED, "the answer broke off after 14 bytes"),
    (Fault.LATE, "no answer within 0.5 s"),
    (Fault.PREVIOUS, "no answer within 0.5 s"),
    (Fault.WRONG_ADDRESS, "unit 2 answered instead of unit 1"),
    (Fault.WRONG_FUNCTION, "an answer to function 4 came instead of 3"),
    (Fault.WRONG_COUNT, "an answer of 10 bytes came instead of 8"),
    (Fault.BUSY, "unit 1 refuses (exception 6): it is busy; raise period_s"),
    (Fault.ONLY_ECHO, "an answer of 3 bytes came instead of 8"),
    (Fault.NOISE, "no frame of Modbus TCP; check that this port speaks that"),
    (Fault.NOISE_BEFORE, "no frame of Modbus TCP"),
]


@pytest.mark.parametrize("fault, said", ON_A_LINE)
def test_a_fault_of_a_line_is_a_sentence_and_ends_with_it(
    tmp_path: Path, fault: Fault, said: str
) -> None:
    """No value while it lasts, and values again within three periods, whatever came before."""
    way, device = line(tmp_path, 1)
    device.units.always = fault
    with DriverBatch(sections(way), [device]) as batch:
        batch.run(24.0)
        sentences = [why for _, why in batch.faults()]
        device.units.always = None
        assert [] == values(batch)
        batch.run(3 * PERIOD_S)
        assert values(batch)

    assert 4 <= len(sentences) <= 5
    assert any(said in why for why in sentences), sentences
    assert all(way.split('"')[1] in why and "; " in why for why in sentences)


@pytest.mark.parametrize("fault, said", OVER_TCP)
def test_a_fault_of_a_connection_is_a_sentence_and_ends_with_it(fault: Fault, said: str) -> None:
    """The same over TCP."""
    way, device = host(1)
    device.units.always = fault
    with DriverBatch(sections(way), [device]) as batch:
        batch.run(24.0)
        sentences = [why for _, why in batch.faults()]
        device.units.always = None
        assert [] == values(batch)
        batch.run(3 * PERIOD_S)
        assert values(batch)

    assert any(said in why for why in sentences), sentences
    assert all(f"127.0.0.1:{device.host.port}" in why and "; " in why for why in sentences)


def test_glitches_and_an_echo_cost_nothing(tmp_path: Path) -> None:
    """An adapter that hears itself, and a line that turns around with a glitch."""
    way, device = line(tmp_path, 1)
    device.units.always = Fault.GLITCH
    speaker = device.speaker
    assert isinstance(speaker, RtuSpeaker)
    speaker.echo = True
    with DriverBatch(sections(way), [device]) as batch:
        batch.run(20.0)

        assert [] == batch.faults()
        assert 10 == len(values(batch))


def with_other_registers(stage: Stage) -> Callable[[], Memory]:
    """A unit that holds, beside its values, four registers that look like others."""
    memory = water_unit(stage, *FLOATS)

    def both() -> Memory:
        held = dict(memory())
        held.update({(3, 20 + number): 0x4248 if number % 2 else 0 for number in range(4)})
        return held

    return both


@pytest.mark.parametrize("answered_s", [0.02, 0.3, 0.45])
def test_of_two_masters_neither_takes_the_other_s_answer(tmp_path: Path, answered_s: float) -> None:
    """Another program that asks the same unit for as many other registers, now and then."""
    way, device = line(tmp_path, 1)
    device.units.units[1] = with_other_registers(device.stage)
    speaker = device.speaker
    assert isinstance(speaker, RtuSpeaker)
    speaker.other = OtherMaster(1.7, 1, bytes.fromhex("03 0014 0004"), answered_s)
    with DriverBatch(sections(way), [device]) as batch:
        batch.run(120.0)

        assert len(values(batch)) > 30
        assert [] == [value for _, value in values(batch) if value > 1.0]


def test_a_line_that_another_master_keeps_busy_is_said_so(tmp_path: Path) -> None:
    """Nothing is sent in between, for the answer could be the other one's."""
    way, device = line(tmp_path, 1)
    speaker = device.speaker
    assert isinstance(speaker, RtuSpeaker)
    speaker.other = OtherMaster(0.3, 1, bytes.fromhex("03 0000 0004"), 0.1)
    with DriverBatch(sections(way), [device]) as batch:
        batch.run(20.0)

        assert [] == [value for t_s, value in values(batch) if t_s > 1.0]
        assert any(
            "is busy with bytes that were not requested here; let one master alone" in why
            for _, why in batch.faults()
        )


@pytest.mark.parametrize("fault", [Fault.LATE, Fault.TRUNCATED, Fault.WRONG_CRC, None])
def test_a_unit_with_faults_leaves_the_others_of_its_line_alone(
    tmp_path: Path, fault: Fault | None
) -> None:
    """Late, garbled or not there at all: the others are read in each period."""
    way, device = line(tmp_path, 1, 2, *([] if fault is None else [9]))
    device.units.always, device.units.faulty = fault, 9
    with DriverBatch(sections(way, [9, 1, 2]), [device] * 3) as batch:
        batch.run(60.0)

        assert [] == values(batch, "ct-1")
        assert 29 <= len(values(batch, "ct-2"))
        assert 29 <= len(values(batch, "ct-3"))


def test_each_unit_has_its_turn(tmp_path: Path) -> None:
    """Eight of them at one a second: as many readings of each, none late by a period."""
    way, device = line(tmp_path, *range(1, 9))
    with DriverBatch(sections(way, range(1, 9), period_s=1.0), [device] * 8) as batch:
        (device.bus,) = {each.bus for each in batch.drivers}  # type: ignore[attr-defined]
        batch.run(30.0)

        assert [] == batch.faults()
        for number in range(1, 9):
            times_s = [t_s for t_s, _ in values(batch, f"ct-{number}")]
            assert 30 == len(times_s)
            assert max(t_s % 1.0 for t_s in times_s) < 0.5


def test_a_line_with_too_many_silent_units_says_so(tmp_path: Path) -> None:
    """Three that are not there wait half a second each, in a period of one."""
    way, device = line(tmp_path, 1)
    with DriverBatch(sections(way, [7, 8, 9], period_s=1.0), [device] * 3) as batch:
        batch.run(30.0)

        assert any(
            "is busy with other units until the next reading is due; raise period_s" in why
            for _, why in batch.faults()
        )


def test_a_half_open_connection_is_made_again() -> None:
    """The other end forgot it without a word: three answers are missed, and then it is read."""
    way, device = host(1)
    with DriverBatch(sections(way), [device]) as batch:
        batch.run(10.0)
        before = len(values(batch))
        device.host.go_half_open()
        batch.run(4 * PERIOD_S)

        assert 5 == before
        assert len(values(batch)) > before
        assert any("no answer within 0.5 s" in why for _, why in batch.faults())


def test_a_sensor_without_a_value_is_a_fault_that_names_it(tmp_path: Path) -> None:
    """And the temperature with it: half a reading is none."""
    way, device = line(tmp_path, 1)
    nothing = {(3, 0): 0, (3, 1): 0x7FC0, (3, 2): 0, (3, 3): 0x41C4}
    device.units.units[1] = lambda: nothing
    with DriverBatch(sections(way), [device]) as batch:
        batch.run(4.0)
        (sample, *_) = batch.samples

        assert [] == values(batch)
        assert sample.fault == (
            f"unit 1 on {device.link}: its conductivity at register 0 holds 0000 7FC0, by which an"
            " instrument says that it has no value; check sensor, register, format and word_order"
        )
        assert "3/0: 0000 7FC0 0000 41C4" == sample.spoken


def test_a_unit_that_answers_its_one_request_alone_is_read_again(tmp_path: Path) -> None:
    """Mute to every check, it is left for ten seconds after an answer that did not come."""
    way, device = line(tmp_path, 1)
    device.units.answers = frozenset({(3, 0, 4)})
    with DriverBatch(sections(way), [device]) as batch:
        batch.run(10.0)
        device.units.faults.append(Fault.SILENT)
        batch.run(2 * PERIOD_S)
        before = len(values(batch))
        batch.run(10.0 + PERIOD_S)
        resumed = len(values(batch))
        batch.run(110.0)

        assert 5 == before
        assert resumed > before
        # From then on a check costs a reading once in ten minutes, and none in these two.
        assert 55 == len(values(batch)) - resumed


def test_a_pump_register_says_on_or_off_and_nothing_else(tmp_path: Path) -> None:
    """One that holds more than 0 or 1 needs the bit that is meant."""
    way, device = line(tmp_path, 1)
    state = {(3, 4): 1}
    memory = water_unit(device.stage, *FLOATS)
    device.units.units[1] = lambda: {**memory(), **state}
    text = sections(way).rstrip() + "\npump = { register = 4 }\n"
    with DriverBatch(text, [device]) as batch:
        batch.run(2 * PERIOD_S)
        state[3, 4] = 0
        batch.run(2 * PERIOD_S)
        pumps = [each.pump for each in batch.samples]
        state[3, 4] = 0x0101
        batch.run(PERIOD_S)

        assert [True, True, False, False] == pumps
        assert {(1, 3, 0, 5)} == set(device.units.asked)
        assert batch.samples[-1].fault == (
            f"unit 1 on {device.link}: its pump at register 4 holds 0101, which is neither 0 nor"
            " 1; name the bit that says so"
        )


@pytest.mark.parametrize("over_tcp", [False, True])
def test_a_cable_that_is_pulled_a_hundred_times_is_read_again_each_time(
    tmp_path: Path, *, over_tcp: bool
) -> None:
    """Within two periods, at whatever moment it was pulled and put back."""
    chance = random.Random(7)
    way, device = host(1) if over_tcp else line(tmp_path, 1)
    with DriverBatch(sections(way, period_s=1.0), [device]) as batch:
        batch.run(3.0)
        for _ in range(100):
            device.stage.plugged = False
            batch.run(chance.uniform(0.1, 2.5))
            device.stage.plugged = True
            back_s, before = batch.t_s, len(values(batch))
            batch.run(2.0)
            assert len(values(batch)) > before, f"after {back_s} s: {batch.faults()[-1]}"


def test_a_unit_that_begins_to_repeat_its_last_answer_is_found_out(tmp_path: Path) -> None:
    """Within a minute; until then its values are one period old, and no older."""
    way, device = line(tmp_path, 1)
    said: list[tuple[float, float, float]] = []
    device.units.units[1] = noted(device.stage, said)
    with DriverBatch(sections(way), [device]) as batch:
        batch.run(10.0)
        device.units.always = Fault.PREVIOUS
        batch.run(120.0)
        last_s, _ = values(batch)[-1]

        assert last_s <= 10.0 + 62.0
        assert any("to a request that was not the last" in why for _, why in batch.faults())
        for t_s, value in values(batch):
            assert value in [each for at_s, each, _ in said if at_s >= t_s - PERIOD_S - 0.1]
