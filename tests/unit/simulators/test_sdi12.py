"""Simulated SDI-12 instruments: they sleep, wake, measure and answer as the standard says."""

from __future__ import annotations

import pytest

from simulators.sdi12 import SensorBus
from simulators.sdi12_sensor import Sensor, check_characters, on_the_wire


def sensor(address: str = "0", announces_s: int = 0, takes_s: float = 0.0) -> Sensor:
    """An instrument of four values."""
    values = ["+42.914", "+24.50", "-1", "+7"]
    return Sensor(address, {"": lambda _t_s: values}, announces_s=announces_s, takes_s=takes_s)


def said(bus: SensorBus, command: str, t_s: float) -> str:
    """What comes back at once, without parity."""
    return plain(bus.respond(on_the_wire(command), t_s))


def plain(data: bytes) -> str:
    """Characters without their parity."""
    return bytes(each & 0x7F for each in data).decode("ascii")


def test_a_measurement_is_announced_and_its_data_come_by_pages() -> None:
    """Three values at once here, and a page without any after the last."""
    bus = SensorBus([sensor(), sensor("1")])

    assert "00004\r\n" == said(bus, "0M!", 1.0)
    assert "0+42.914+24.50-1\r\n" == said(bus, "0D0!", 1.1)
    assert "0+7\r\n" == said(bus, "0D1!", 1.2)
    assert "0\r\n" == said(bus, "0D2!", 1.3)
    assert "100004\r\n" == said(bus, "1C!", 1.4)


def test_check_characters_come_where_they_were_asked_for() -> None:
    """And with one reply of a fault, wrong ones."""
    one = sensor()
    bus = SensorBus([one])
    said(bus, "0MC!", 1.0)
    right = said(bus, "0D1!", 1.1)
    one.faults.wrong_crc = 1

    assert f"0+7{check_characters('0+7')}\r\n" == right
    assert right != said(bus, "0D1!", 1.2)
    assert right == said(bus, "0D1!", 1.3)


def test_it_says_when_data_are_ready_unless_it_was_interrupted() -> None:
    """A break ends the measurement, as one for any other instrument of the line is."""
    bus = SensorBus([sensor(announces_s=2, takes_s=1.5), sensor("1")])
    assert "00024\r\n" == said(bus, "0M!", 1.0)
    assert "" == plain(bus.advance(2.4))
    assert "0\r\n" == plain(bus.advance(2.5))
    said(bus, "0M!", 3.0)
    said(bus, "1!", 3.5)

    assert "" == plain(bus.advance(9.0))
    assert "0\r\n" == said(bus, "0D0!", 9.1)


def test_a_concurrent_measurement_goes_on_while_others_speak() -> None:
    """And says nothing without a command; a command to its own address ends it."""
    bus = SensorBus([sensor(announces_s=2, takes_s=1.5), sensor("1")])
    assert "000204\r\n" == said(bus, "0C!", 1.0)
    assert "1\r\n" == said(bus, "1!", 1.5)
    assert "" == plain(bus.advance(3.0))
    assert "0+42.914+24.50-1\r\n" == said(bus, "0D0!", 3.1)
    said(bus, "0C!", 4.0)
    said(bus, "0D0!", 4.5)

    assert "0\r\n" == said(bus, "0D0!", 7.0)


@pytest.mark.parametrize(
    "break_s, marking_s, wakes_s, answers",
    [
        (0.015, 0.010, 0.0, True),
        (0.006, 0.010, 0.0, False),
        (0.015, 0.002, 0.0, False),
        (0.015, 0.150, 0.0, False),
        (0.015, 0.010, 0.09, False),
        (0.015, 0.115, 0.09, True),
    ],
)
def test_it_sleeps_until_a_break_that_is_long_enough(
    break_s: float, marking_s: float, wakes_s: float, *, answers: bool
) -> None:
    """And a marking after that which is neither too short nor too long."""
    one = sensor()
    one.wakes_s = wakes_s
    bus = SensorBus([one], adapter_makes_breaks=False)
    bus.spacing(1.0, on=True)
    bus.spacing(1.0 + break_s, on=False)
    reply = said(bus, "0!", 1.0 + break_s + marking_s)

    assert ("0\r\n" if answers else "") == reply
    assert answers == (not bus.unanswered)


def test_characters_take_their_time() -> None:
    """At 1200 Bd ten bits each, after the command and the pause before a reply."""
    bus = SensorBus([sensor()], is_paced=True)
    bus.respond(on_the_wire("0!"), 1.0)
    times_s = []
    while (next_s := bus.next_s()) is not None:
        times_s.append((next_s, plain(bus.advance(next_s))))
    came = [(t_s, text) for t_s, text in times_s if text]

    assert ["0", "\r", "\n"] == [text for _, text in came]
    assert 1.0 + 2 / 120 + 0.010 + 1 / 120 == pytest.approx(came[0][0], abs=1e-6)
    assert 1 / 120 == pytest.approx(came[1][0] - came[0][0], abs=1e-6)


def test_two_of_one_address_talk_at_once() -> None:
    """What is on the line is neither's."""
    one, two = sensor(), sensor()
    two.measures = {"": lambda _t_s: ["+17.003", "+24.50", "-1", "+7"]}
    bus = SensorBus([one, two])
    assert "00004\r\n" == said(bus, "0M!", 1.0)
    reply = said(bus, "0D0!", 1.1)

    assert reply not in {"0+42.914+24.50-1\r\n", "0+17.003+24.50-1\r\n"}
    assert reply.startswith("0+")


def test_a_second_recorder_ends_a_measurement_and_is_on_the_line() -> None:
    """As its break and its command are for all."""
    bus = SensorBus([sensor(announces_s=2, takes_s=1.5)])
    bus.other_recorder("0D0!", 2.0)
    said(bus, "0M!", 1.0)

    assert "0D0!0\r\n" == plain(bus.advance(9.0))


def test_an_address_can_be_changed_and_is_said_when_alone() -> None:
    """By the command for that, and by the query that names none."""
    bus = SensorBus([sensor()])

    assert "5\r\n" == said(bus, "0A5!", 1.0)
    assert "" == said(bus, "0!", 2.0)
    assert "5\r\n" == said(bus, "?!", 3.0)
