"""SDI-12 probes on a line with breaks, at the true speed of characters."""

from __future__ import annotations

from itertools import pairwise

import pytest

from tests.parts.sdi12_bench import Sdi12Bench, bench, section, sensor

VALUES = (42.914, 24.5)


def times_s(one: Sdi12Bench, name: str = "ct-1") -> list[float]:
    """When the readings of a probe came."""
    return [each.at.mono_s for each in one.samples if each.probe == name and not each.fault]


def commands(one: Sdi12Bench) -> list[str]:
    """What was sent, in order."""
    return [command for _, command in one.sensors.commands]


def test_an_instrument_is_read_once_a_period() -> None:
    """With breaks and markings by which it wakes, and no command that nobody was awake for."""
    one = bench(sensor())
    one.run(20.0)

    assert [VALUES] * 10 == one.values()
    assert [] == one.faults()
    assert [] == one.sensors.unanswered
    assert all(
        after - before == pytest.approx(2.0, abs=0.01) for before, after in pairwise(times_s(one))
    )
    assert {"0+42.914+24.50"} == {each.spoken for each in one.samples}


def test_each_break_and_each_marking_is_as_long_as_the_standard_has_it() -> None:
    """At least 12 ms, then at least 8.33 ms, and less than 100 ms for one that is awake."""
    one = bench(sensor())
    one.run(20.0)
    breaks = one.line.breaks
    sent_s = [t_s - len(text) / 120.0 for t_s, text in one.sensors.commands]
    begun = [t_s for t_s, on in breaks if on]
    ended = [t_s for t_s, on in breaks if not on]

    assert len(sent_s) == len(begun) == len(ended)
    for begin_s, end_s, send_s in zip(begun, ended, sent_s, strict=True):
        assert 0.012 <= end_s - begin_s < 0.02
        assert 0.00833 <= send_s - end_s < 0.02


def test_data_are_fetched_as_soon_as_the_instrument_says_that_they_are_ready() -> None:
    """Before the time that it announced is over."""
    one = bench(sensor(announces_s=1, takes_s=0.3))
    one.run(2.0)
    (m_s, _), (d_s, _) = one.sensors.commands[:2]

    assert [VALUES] == one.values()
    assert 0.3 < d_s - m_s < 0.5


def test_data_are_fetched_after_the_announced_time_where_it_says_nothing() -> None:
    """As the standard asks; the reading is later, and right."""
    slow = sensor(announces_s=1, takes_s=0.3)
    slow.faults.has_no_service_request = True
    one = bench(slow)
    one.run(4.0)
    (m_s, _), (d_s, _) = one.sensors.commands[:2]

    assert [VALUES] * 2 == one.values()
    assert 1.0 < d_s - m_s < 1.5


def test_pages_are_asked_for_until_all_values_have_come() -> None:
    """And not one more."""
    one = bench(
        sensor("0", "+1", "+2", "+3", "+4", "+42.914", "+6", "+24.50"),
        sections=[section("values = { conductivity = 5, temperature = 7 }")],
    )
    one.run(2.0)

    assert [VALUES] == one.values()
    assert ["0M!", "0D0!", "0D1!", "0D2!"] == commands(one)[:4]


@pytest.mark.parametrize("word", ["M", "M1", "M9", "MC", "MC2", "C", "C3", "CC", "CC4"])
def test_each_kind_of_measurement_is_made(word: str) -> None:
    """With its own number, with check characters where they were asked for."""
    number = word.lstrip("MC")
    instrument = sensor(announces_s=1, takes_s=0.4)
    instrument.measures = {number: lambda _t_s: ["+42.914", "+24.50"]}
    one = bench(instrument, sections=[section(f'measurement = "{word}"')])
    one.run(10.0)

    assert [VALUES] * 5 == one.values()
    assert [] == one.faults()
    assert f"0{word}!" == commands(one)[0]


def test_concurrent_measurements_of_a_line_overlap() -> None:
    """Three that take a second each are read in little more than one."""
    names = {"0": "ct-1", "1": "ct-2", "a": "ct-3"}
    one = bench(
        *(
            sensor(address, f"+{place}", "+24.50", announces_s=1, takes_s=0.9)
            for place, address in enumerate(names, 1)
        ),
        sections=[
            section(f'measurement = "CC"\naddress = "{address}"', name)
            for address, name in names.items()
        ],
    )
    one.run(20.0)

    assert [f"{address}CC!" for address in names] == commands(one)[:3]
    for place, name in enumerate(names.values(), 1):
        assert [(float(place), 24.5)] * 10 == one.values(name)
        assert [] == one.faults(name)


def test_a_measurement_that_holds_the_line_has_it_for_itself() -> None:
    """No break and no command comes while it measures, as either would end it."""
    one = bench(
        sensor(announces_s=1, takes_s=0.8),
        sensor("1", announces_s=1, takes_s=0.8),
        sections=[
            section("period_s = 4"),
            section('period_s = 4\naddress = "1"\nmeasurement = "C"', "ct-2"),
        ],
    )
    one.run(24.0)
    commands = one.sensors.commands
    waits_s = [after[0] - before[0] for before, after in pairwise(commands) if before[1] == "0M!"]

    assert [VALUES] * 6 == one.values()
    assert [VALUES] * 6 == one.values("ct-2")
    assert all(wait_s > 0.8 for wait_s in waits_s)
    assert all(after[1] == "0D0!" for before, after in pairwise(commands) if before[1] == "0M!")


def test_a_reading_says_how_much_older_its_values_are() -> None:
    """Since the instrument said that they are ready, or else since it began to measure."""
    keys = "address = {0}\nmeasurement = {1}\nperiod_s = 4"
    one = bench(
        sensor(announces_s=2, takes_s=1.5),
        sensor("1", announces_s=2, takes_s=1.5),
        sections=[section(keys.format('"0"', '"M"')), section(keys.format('"1"', '"C"'), "ct-2")],
    )
    one.run(8.0)
    ages_s = {each.probe: each.conductivity_age_s for each in one.samples}

    assert 0.2 < ages_s["ct-1"] < 0.3
    assert 2.2 < ages_s["ct-2"] < 2.6
    assert all(each.conductivity_age_s == each.temperature_age_s for each in one.samples)


def test_what_was_read_for_another_probe_of_the_line_is_not_late() -> None:
    """Though it is collected only when the next reading is due."""
    one = bench(sensor(), sensor("1"), sections=[section(), section('address = "1"', "ct-2")])
    one.run(0.01)
    second = one.probes.pop()
    one.run(1.9)
    one.t_s = 102.5
    (sample,) = second.wake(one.now())

    assert ("ct-2", "", 42.914) == (sample.probe, sample.fault, sample.conductivity_mS_cm)


def test_an_instrument_is_read_whatever_it_did_before_the_service_began() -> None:
    """A measurement that is under way ends by the break, and its service request is not ours."""
    instrument = sensor(announces_s=1, takes_s=0.9)
    one = bench(instrument)
    one.sensors.other_recorder("0M!", 99.2)
    one.sensors.advance(99.9)
    one.run(9.9)

    assert [VALUES] * 5 == one.values()
    assert [] == one.faults()


@pytest.mark.parametrize("expected", ["14QUARWING", "14QUARWINGCTCELL101", "14QUARWINGCTCELL101  "])
def test_an_instrument_is_identified_by_the_beginning_of_what_it_says(expected: str) -> None:
    """At the start, and not before each reading; spaces at the end count for nothing."""
    one = bench(sensor(), sections=[section(f'identification = "{expected}"')])
    one.run(20.0)

    assert [VALUES] * 10 == one.values()
    assert 1 == commands(one).count("0I!")


def test_an_instrument_that_is_read_seldom_is_identified_each_time() -> None:
    """As another could have been put in its place since."""
    one = bench(sensor(), sections=[section('identification = "14"\nperiod_s = 30')])
    one.run(100.0)

    assert 4 == commands(one).count("0I!")


def test_an_echo_that_ends_as_a_line_is_passed_over() -> None:
    """Some adapters put CR LF after what they echo."""
    one = bench(sensor(announces_s=1, takes_s=0.4))
    one.sensors.has_echo = True
    write = one.line.write

    def with_end(data: bytes) -> None:
        write(data)
        one.line.came += b"\x8d\x0a"

    one.line.write = with_end  # type: ignore[method-assign]
    one.run(10.0)

    assert [VALUES] * 5 == one.values()


def test_two_probes_may_read_one_instrument_in_two_ways() -> None:
    """In turn: a second command would end a measurement of the first."""
    instrument = sensor(announces_s=1, takes_s=0.5)
    instrument.measures["1"] = lambda _t_s: ["+7", "+8"]
    one = bench(
        instrument,
        sections=[
            section('measurement = "C"\nperiod_s = 4'),
            section('measurement = "C1"\nperiod_s = 4', "ct-2"),
        ],
    )
    one.run(16.0)

    assert [VALUES] * 4 == one.values()
    assert [(7.0, 8.0)] * 4 == one.values("ct-2")
    assert [] == one.faults() + one.faults("ct-2")


def test_an_instrument_that_wakes_slowly_is_read_after_a_resend_and_then_at_once() -> None:
    """The rest after a break by which it answered is kept for the next time."""
    instrument = sensor()
    instrument.wakes_s = 0.1
    one = bench(instrument)
    one.run(20.0)

    assert [VALUES] * 10 == one.values()
    assert [] == one.faults()
    assert 3 == len(one.sensors.unanswered)


@pytest.mark.parametrize("has_echo", [True, False])
def test_an_echo_of_the_adapter_is_passed_over(*, has_echo: bool) -> None:
    """With the zero that a break leaves."""
    one = bench(sensor(announces_s=1, takes_s=0.4))
    one.sensors.has_echo = has_echo
    one.run(10.0)

    assert [VALUES] * 5 == one.values()
    assert [] == one.faults()


def test_an_adapter_that_makes_breaks_is_sent_none() -> None:
    """As it would be one too many."""
    one = bench(sensor(), sections=[section('break_by = "adapter"')])
    one.sensors.adapter_makes_breaks = True
    one.run(10.0)

    assert [VALUES] * 5 == one.values()
    assert [] == one.line.breaks


def test_a_pump_and_another_unit_are_read_as_the_section_says() -> None:
    """Value by value; compensation is undone by the instrument's own temperature."""
    one = bench(
        sensor("0", "+20", "+1", "+4.2914"),
        sections=[
            section(
                "values = { conductivity = 3, temperature = 1, pump = 2 }\n"
                'units = { conductivity = "S/m", temperature = "degC" }\n'
                "compensation = { linear_percent_per_C = 2.0, reference_C = 25 }"
            )
        ],
    )
    one.run(2.0)
    (sample,) = one.samples

    assert pytest.approx(42.914 * 0.9) == sample.conductivity_mS_cm
    assert (20.0, True) == (sample.temperature_C, sample.pump)


def test_a_line_is_shut_when_its_last_probe_has_left() -> None:
    """Not before, and closing twice is as once."""
    one = bench(sensor(), sensor("1"), sections=[section(), section('address = "1"', "ct-2")])
    one.run(0.02)
    first, second = one.probes
    first.close()
    first.close()
    opened = one.line.is_open
    one.probes = [second]
    one.run(6.0)
    second.close()

    assert opened
    assert 3 <= len(one.values("ct-2"))
    assert not one.line.is_open
    assert one.line.breaks[-1][1] is False
