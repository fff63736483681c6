"""What goes wrong on an SDI-12 line: a sentence, or a resend, and never a wrong reading."""

from __future__ import annotations

import errno

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


def test_an_adapter_that_takes_the_parity_away_is_named() -> None:
    """About half of the characters have the wrong one then, and all else is right."""
    one = bench(sensor())
    one.line.strips_parity = True
    one.run(10.0)

    assert [] == one.values()
    assert "the reply '00002' is wrong, which is right otherwise" in only(one)
    assert 'set framing = "8N1"' in only(one)


@pytest.mark.parametrize(
    "word, says",
    [("M", 'set framing = "7E1"'), ("MC", "no reply from address 0; check its 12 V supply")],
)
def test_a_line_that_is_sent_characters_without_parity_leads_to_framing(
    word: str, says: str
) -> None:
    """No instrument understands the command, unless all of its characters have even parity."""
    one = bench(sensor(), sections=[section(f'framing = "8N1"\nmeasurement = "{word}"')])
    one.run(10.0)

    assert [] == one.values()
    assert says in only(one)
    assert "framing" in only(one)


def test_a_reply_that_waits_on_a_busy_machine_is_taken() -> None:
    """It came in time, and was looked at when its time was over."""
    one = bench(sensor(), sections=[section('measurement = "MC"\nbreak_by = "adapter"')])
    one.sensors.adapter_makes_breaks, one.stalls_s = True, 0.4
    one.run(20.0)

    assert 8 <= len(one.values())
    assert [] == one.faults()
    assert {"0MC!", "0D0!"} == {text for _, text in one.sensors.commands}
    assert 2 * len(one.values()) + 2 >= len(one.sensors.commands)


def test_a_period_that_is_shorter_than_a_conversation_is_named() -> None:
    """As SDI-12 is slow."""
    one = bench(sensor(), sections=[section("period_s = 0.2")])
    one.run(10.0)

    assert 20 < len(one.values())
    assert "its conversation is not over; set a longer period_s than 0.2" in one.faults()[0]


def test_a_measurement_longer_than_the_period_names_the_period_to_set() -> None:
    """And is not waited for."""
    one = bench(sensor(announces_s=5, takes_s=4.0))
    one.run(10.0)

    assert "announces 5 s for 0M!, longer than period_s = 2 allows; set period_s = 6" in only(one)
    assert [] == one.values()


def test_a_measurement_longer_than_any_period_says_so() -> None:
    """Ten minutes, of a sampler."""
    one = bench(sensor(announces_s=600, takes_s=500.0))
    one.run(10.0)

    assert "set the instrument to a shorter measurement" in only(one)


def test_a_line_that_is_too_busy_names_what_to_change() -> None:
    """Three measurements that hold it for a second each, every two seconds: readings come still."""
    one = bench(
        *(sensor(each, announces_s=1, takes_s=0.95) for each in "012"),
        sections=[section(f'address = "{each}"', f"ct-{each}") for each in "012"],
    )
    one.run(60.0)
    sentences = {*one.faults("ct-0"), *one.faults("ct-1"), *one.faults("ct-2")}

    for name in ("ct-0", "ct-1", "ct-2"):
        assert 10 < len(one.values(name)) < 25
    assert all("the line is busy; set a longer period_s than 2" in each for each in sentences)
    assert sentences


def test_another_instrument_at_the_address_is_named() -> None:
    """When it is exchanged while the service runs; the right one is read again afterwards."""
    instrument = sensor()
    one = bench(instrument, sections=[section('identification = "14QUARWING"')])
    one.run(6.0)
    right, instrument.identity = instrument.identity, "14REEFSIDEOTHER 200"
    instrument.faults.silent = 1000
    one.run(4.0)
    instrument.faults.silent = 0
    before = len(one.values())
    one.run(10.0)
    assert before == len(one.values())
    assert "it says that it is '14REEFSIDEOTHER 200', not '14QUARWING'" in one.faults()[-1]
    instrument.identity = right
    one.run(4.0)

    assert before < len(one.values())


def test_an_address_that_was_changed_is_found_where_one_instrument_is_there() -> None:
    """By the query that all answer."""
    one = bench(sensor("3"))
    one.run(20.0)

    assert 'the one instrument there has address 3; set address = "3"' in only(one)
    assert [] == one.values()


def test_no_query_that_all_answer_is_sent_where_there_are_several() -> None:
    """They would all talk at once."""
    sections = [section(), section('address = "1"', "ct-2")]
    one = bench(sensor("3"), sensor("1"), sections=sections)
    one.run(20.0)

    assert "no reply from address 0" in only(one)
    assert "?!" not in {command for _, command in one.sensors.commands}


def test_a_measurement_that_an_instrument_does_not_have_is_named() -> None:
    """It acknowledges that it is there."""
    old = sensor()
    old.is_old = True
    one = bench(old, sections=[section('measurement = "MC"')])
    one.run(20.0)

    assert "address 0 is there and does not answer 0MC!; correct measurement" in only(one)


def test_values_that_are_not_announced_are_named() -> None:
    """Before anything is read."""
    one = bench(sensor("0", "+42.914"))
    one.run(4.0)

    assert "announces 1 values to 0M!, and value 2 is to be read" in only(one)


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


def test_an_answer_that_is_always_late_names_the_key_to_change() -> None:
    """Which then is enough."""
    instrument = sensor()
    instrument.faults.late_s = 0.9
    one = bench(instrument)
    one.run(20.0)
    assert any("later than reply_within_s = 0.15 allows" in each for each in one.faults())
    other = bench(instrument, sections=[section("reply_within_s = 1.0\nperiod_s = 5")])
    other.run(20.0)

    assert [VALUES] * 4 == other.values()
    assert [] == other.faults()


@pytest.mark.parametrize("word", ["M", "MC", "C"])
def test_an_instrument_that_is_one_answer_behind_gives_no_reading(word: str) -> None:
    """Each reply is valid by itself, and of the request before."""
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


@pytest.mark.parametrize(
    "number, says",
    [(errno.EOPNOTSUPP, 'set break_by = "adapter"'), (errno.EIO, "still plugged in")],
)
def test_an_adapter_that_makes_no_break_is_told_from_one_that_is_gone(
    number: int, says: str
) -> None:
    """By what the kernel answers to the order."""
    one = bench(sensor())
    one.line.break_errno = number
    one.run(10.0)

    assert [] == one.values()
    assert all(says in each for each in one.faults())
    assert one.faults()


def test_a_port_that_is_away_is_a_sentence_of_its_own() -> None:
    """Not one of the instrument."""
    one = bench(sensor())
    one.line.is_plugged = False
    one.run(10.0)

    assert {f"port {PORT}: gone; is the adapter still plugged in?"} == set(one.faults())
