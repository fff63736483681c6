"""What goes wrong on an SDI-12 line: a sentence, or a resend, and never a wrong reading."""

from __future__ import annotations

import pytest

from tests.parts.sdi12_bench import PORT, Sdi12Bench, bench, section, sensor

VALUES = (42.914, 24.5)


def only(one: Sdi12Bench) -> str:
    """The one sentence that was said, however often."""
    (sentence,) = {*one.faults()}
    assert sentence.startswith(f"{PORT}: ")
    assert sentence.isprintable()
    return sentence


@pytest.mark.parametrize(
    "fault, word",
    [("wrong_crc", "MC"), ("wrong_crc", "CC"), ("cut", "M"), ("unsigned", "M"), ("silent", "M")],
)
@pytest.mark.parametrize("times", [1, 2])
def test_a_reply_that_is_not_valid_is_asked_for_again(fault: str, word: str, times: int) -> None:
    """Three times in all, as the standard has it, within the same period."""
    instrument = sensor()
    one = bench(instrument, sections=[section(f'measurement = "{word}"\nperiod_s = 4')])
    one.run(0.2)
    setattr(instrument.faults, fault, times)
    one.run(7.5)

    assert [VALUES] * 2 == one.values()
    assert [] == one.faults()


@pytest.mark.parametrize(
    "fault, word, says",
    [
        ("wrong_crc", "MC", "fails its check"),
        ("cut", "M", "a reply ended in its middle"),
        ("unsigned", "M", "'042.91424.50' is not values, each with its sign"),
        ("silent", "M", "no reply from address 0; check its 12 V supply"),
        ("short", "M", "announced 2 values to 0M! and sent 1; none of them is used"),
        ("aborts", "M", "has no data for 0M!: the measurement was ended before its time"),
    ],
)
def test_what_stays_wrong_is_a_sentence_and_no_reading(fault: str, word: str, says: str) -> None:
    """With the place and what to do; and it is read again once it is over."""
    instrument = sensor()
    one = bench(instrument, sections=[section(f'measurement = "{word}"')])
    setattr(instrument.faults, fault, 1000)
    one.run(12.0)
    assert says in only(one)
    assert "; " in only(one)
    assert [] == one.values()
    setattr(instrument.faults, fault, 0)
    one.run(6.0)

    assert VALUES == one.values()[-1]


def test_a_reply_that_waits_on_a_busy_machine_is_taken() -> None:
    """It came in time, and was looked at when its time was over."""
    one = bench(sensor(), sections=[section('measurement = "MC"\nbreak_by = "adapter"')])
    one.sensors.adapter_makes_breaks, one.stalls_s = True, 0.4
    one.run(20.0)

    assert 8 <= len(one.values())
    assert [] == one.faults()
    assert {"0MC!", "0D0!"} == {text for _, text in one.sensors.commands}
    assert 2 * len(one.values()) + 2 >= len(one.sensors.commands)


def test_a_silent_instrument_takes_little_from_the_others() -> None:
    """It is asked once a period and no more, after a first time."""
    one = bench(sensor("1"), sections=[section(), section('address = "1"', "ct-2")])
    one.run(60.0)
    gaps = [text for _, text in one.sensors.commands].count("0M!")

    assert 29 <= len(one.values("ct-2")) <= 30
    assert [] == one.faults("ct-2")
    assert gaps <= 34


def test_an_instrument_that_was_silent_while_it_was_late_is_read_again_soon() -> None:
    """Whatever was learned meanwhile of how it wakes."""
    instrument = sensor()
    one = bench(instrument)
    one.run(6.0)
    instrument.faults.late_s = 0.4
    one.run(6.0)
    instrument.faults.late_s = 0.0
    one.run(6.0)
    before = len(one.values())
    one.run(8.0)

    assert before + 4 == len(one.values())


@pytest.mark.parametrize("late_s", [0.05, 0.1, 0.3, 0.7, 2.0, 2.6])
@pytest.mark.parametrize("word", ["M", "MC", "C"])
def test_a_late_answer_mixes_no_two_measurements(late_s: float, word: str) -> None:
    """All values of a reading are of one, which is no older than the answer is late."""
    instrument = sensor()
    instrument.measures = {"": lambda t_s: [f"+{t_s * 1000:.0f}" for _ in range(7)]}
    instrument.faults.late_s = late_s
    keys = f'measurement = "{word}"\nvalues = {{ conductivity = 1, temperature = 7 }}'
    one = bench(instrument, sections=[section(keys)])
    one.run(40.0)
    found = [each for each in one.samples if each.conductivity_mS_cm is not None]

    assert 20 == len(one.values()) or late_s > 0.1
    assert one.faults() or late_s <= 0.1
    for each in found:
        assert each.conductivity_mS_cm == each.temperature_C
        assert each.conductivity_mS_cm is not None
        assert each.at.mono_s - each.conductivity_mS_cm / 1000.0 < 2.7 + late_s


@pytest.mark.parametrize("word", ["M", "MC", "C"])
def test_an_instrument_that_is_one_answer_behind_gives_no_reading(word: str) -> None:
    """Each reply is valid alone, and of the request before."""
    instrument = sensor()
    one = bench(instrument, sections=[section(f'measurement = "{word}"')])
    one.run(6.0)
    before = len(one.values())
    instrument.faults.is_one_behind = True
    one.run(20.0)
    assert before == len(one.values())
    assert any("it answers another request" in each for each in one.faults())
    instrument.faults.is_one_behind = False
    one.run(6.0)

    assert before < len(one.values())


def test_a_reply_of_another_address_is_no_reading() -> None:
    """Though all else in it is right."""
    instrument = sensor()
    instrument.faults.answers_as = "7"
    one = bench(instrument)
    one.run(10.0)

    assert "'70002' is of address 7, not 0" in only(one)
    assert [] == one.values()


def test_a_service_request_of_another_address_is_passed_over() -> None:
    """The announced time is waited for instead."""
    instrument = sensor(announces_s=1, takes_s=0.3)
    instrument.faults.service_request_from = "5"
    one = bench(instrument)
    one.run(10.0)

    assert [VALUES] * 5 == one.values()
    assert [] == one.faults()


def test_a_service_request_that_comes_too_early_gives_no_reading() -> None:
    """There are no data yet, and the request for them ends the measurement."""
    instrument = sensor(announces_s=1, takes_s=0.6)
    instrument.faults.early_service_request = True
    one = bench(instrument)
    one.run(10.0)

    assert "the measurement was ended before its time" in only(one)
    assert [] == one.values()


def test_a_service_request_that_comes_too_late_is_no_reply() -> None:
    """The data that come after it are read, and it is not taken for none."""
    instrument = sensor(announces_s=1, takes_s=1.25)
    one = bench(instrument, sections=[section("period_s = 4\nreply_within_s = 0.2")])
    one.run(16.0)

    assert [VALUES] * 4 == one.values() or one.faults()
    assert {VALUES} >= set(one.values())


@pytest.mark.parametrize("word", ["M", "C"])
def test_a_second_logger_is_named(word: str) -> None:
    """Whose command ends what is measured here."""
    instrument = sensor(announces_s=1, takes_s=0.9)
    instrument.measures["1"] = lambda _t_s: ["+1", "+2"]
    one = bench(instrument, sections=[section(f'measurement = "{word}"')])
    for n in range(10):
        one.sensors.other_recorder("0M1!", 100.6 + 2.0 * n)
    one.run(20.0)

    assert "another logger sent '0M1!' on this line" in only(one)
    assert [] == one.values()


def test_a_command_of_a_second_logger_for_another_instrument_spares_a_concurrent_one() -> None:
    """Which goes on measuring through it."""
    instrument = sensor(announces_s=1, takes_s=0.9)
    one = bench(instrument, sensor("5"), sections=[section('measurement = "C"')])
    for n in range(10):
        one.sensors.other_recorder("5M!", 100.6 + 2.0 * n)
    one.run(20.0)

    assert [VALUES] * 10 == one.values()


@pytest.mark.parametrize("seed", range(4))
def test_two_instruments_of_one_address_give_no_wrong_reading(seed: int) -> None:
    """What they say at once fails its check."""
    one, two = sensor(), sensor("0", f"+{17 + seed}.003", f"+2{seed}.25")
    both = bench(one, two, sections=[section('measurement = "MC"')])
    both.run(20.0)

    assert [] == both.values()
    assert "that no two instruments have one address" in both.faults()[-1]


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(
    "word, adds_bytes", [("M", False), ("MC", False), ("MC", True), ("CC", True)]
)
def test_noise_costs_readings_and_makes_no_wrong_one(
    word: str, seed: int, *, adds_bytes: bool
) -> None:
    """Half of the replies are changed: parity finds a bit, check characters find a byte."""
    one = bench(sensor(), sections=[section(f'measurement = "{word}"')], seed=seed)
    one.sensors.noise_share, one.sensors.adds_bytes = 0.5, adds_bytes
    one.run(60.0)

    assert {VALUES} == set(one.values())
    assert 12 <= len(one.values())


def test_an_adapter_that_is_unplugged_is_read_again_within_two_periods() -> None:
    """A hundred times, at any moment of a conversation."""
    instrument = sensor(announces_s=1, takes_s=0.4)
    one = bench(instrument)
    one.run(3.0)
    for n in range(100):
        one.run(0.037 * (n % 50))
        one.line.is_plugged = False
        one.run(2.5)
        one.line.is_plugged, one.line.is_open = True, False
        plugged_s, one.samples = one.t_s, []
        one.run(4.0)
        came_s = [each.at.mono_s for each in one.samples if not each.fault]
        assert came_s[0] - plugged_s <= 4.0


def test_a_port_that_is_away_is_a_sentence_of_its_own() -> None:
    """Not one of the instrument."""
    one = bench(sensor())
    one.line.is_plugged = False
    one.run(10.0)

    assert {f"port {PORT}: gone; is the adapter still plugged in?"} == set(one.faults())
