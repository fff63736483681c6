"""What is set wrongly for an SDI-12 line is a sentence that names the key, and what to set."""

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


def test_an_instrument_that_says_no_identification_is_named() -> None:
    """As the measurement is not what is wrong."""
    one = bench(sensor(), sections=[section('identification = "14"')])
    one.sensors.sensors[0].has_identity = False
    one.run(20.0)

    assert "is there and does not answer 0I!; leave identification out" in only(one)


def test_values_that_are_not_announced_are_named() -> None:
    """Before anything is read."""
    one = bench(sensor("0", "+42.914"))
    one.run(4.0)

    assert "announces 1 values to 0M!, and value 2 is to be read" in only(one)


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
