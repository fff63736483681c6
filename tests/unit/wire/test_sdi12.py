"""What is said on an SDI-12 line, told apart and read."""

from __future__ import annotations

import pytest

from daemon.wire.sdi12 import (
    LONGEST,
    Announcement,
    CrcMismatch,
    Frame,
    FrameKind,
    Measurement,
    OfAnotherRequest,
    Splitter,
    Unreadable,
    acknowledgement,
    announcement,
    crc,
    data_text,
    identification,
    own_address,
    parse_measurement,
    quote,
    values,
    with_parity,
)

PLAIN, CRC, CONCURRENT = Measurement(), Measurement(has_crc=True), Measurement(concurrent=True)


def reply(text: str) -> Frame:
    """An undamaged reply."""
    return Frame(FrameKind.REPLY, text)


def command(text: str) -> Frame:
    """An undamaged command."""
    return Frame(FrameKind.COMMAND, text)


@pytest.mark.parametrize(
    "said, frames",
    [
        ("00012\r\n", [reply("00012")]),
        ("0M!00012\r\n0\r\n", [command("0M!"), reply("00012"), reply("0")]),
        ("\0\x000D0!\x000+1\r\n", [command("0D0!"), reply("0+1")]),
        ("?!3\r\n", [command("?!"), reply("3")]),
        ("0+1\r", []),
        ("0+1\n", []),
        ("014AB!CDEFG\r\n", [reply("014AB!CDEFG")]),
    ],
)
def test_commands_and_replies_are_told_apart(said: str, frames: list[Frame]) -> None:
    """A reply ends with CR LF, a command with its sign; breaks leave zeros, which are nothing."""
    assert frames == Splitter().feed(with_parity(said))


def test_a_character_of_wrong_parity_damages_its_frame_alone() -> None:
    """One flipped bit, which the kernel would pass on."""
    said = bytearray(with_parity("0+42.914\r\n0+42.915\r\n"))
    said[3] ^= 0x04

    assert [True, False] == [each.damaged for each in Splitter().feed(bytes(said))]


def test_an_adapter_that_checks_parity_gives_characters_without_it() -> None:
    """Then an eighth bit is damage."""
    splitter = Splitter(has_parity=False)

    assert [reply("0+1")] == splitter.feed(b"0+1\r\n")
    assert [Frame(FrameKind.REPLY, "0+1", damaged=True)] == splitter.feed(b"0\xab1\r\n")


def test_a_frame_without_an_end_is_bounded_and_damaged() -> None:
    """Noise can come for hours, and what follows its end is whole."""
    splitter = Splitter()
    assert [] == splitter.feed(with_parity("7" * 10_000))
    assert splitter.unfinished
    first, second = splitter.feed(with_parity("\r\n0\r\n"))

    assert first.damaged
    assert len(first.text) < LONGEST
    assert reply("0") == second


@pytest.mark.parametrize(
    "word, meaning",
    [
        ("M", Measurement()),
        ("M9", Measurement(number="9")),
        ("MC", Measurement(has_crc=True)),
        ("C", Measurement(concurrent=True)),
        ("CC2", Measurement(concurrent=True, has_crc=True, number="2")),
    ],
)
def test_a_measurement_is_named_as_in_the_standard(word: str, meaning: Measurement) -> None:
    """And written so again."""
    assert meaning == parse_measurement(word)
    assert word == meaning.word


@pytest.mark.parametrize("word", ["", "m", "M0", "MCC", "R0", "D0", "M10", "C2C"])
def test_what_is_no_measurement_is_refused(word: str) -> None:
    """With those that there are."""
    with pytest.raises(ValueError, match="M1 to M9"):
        parse_measurement(word)


@pytest.mark.parametrize(
    "text, asked, found",
    [
        ("0+42.914+24.50", PLAIN, (42.914, 24.5)),
        ("0-0.5+7", PLAIN, (-0.5, 7.0)),
        ("0+.5-7.", CONCURRENT, (0.5, -7.0)),
        ("0", PLAIN, ()),
        ("0+1" + crc("0+1"), CRC, (1.0,)),
        ("0" + crc("0"), CRC, ()),
    ],
)
def test_values_are_read_with_their_signs(
    text: str, asked: Measurement, found: tuple[float, ...]
) -> None:
    """As many as there are, none where there are none."""
    assert found == values(text, "0", asked)


@pytest.mark.parametrize(
    "text",
    [
        "042.914+24.50",
        "0+42.914 24.50",
        "0+42.914+",
        "0+42,914",
        "0+4e3",
        "0+\u0664",
        "0+12345678",
        "0+1.2.3",
        "1+42.914",
        "",
        "!0+1",
        "0+nan",
    ],
)
def test_what_is_no_value_with_a_sign_is_refused(text: str) -> None:
    """So are other addresses, and more figures than the standard has."""
    with pytest.raises(Unreadable):
        values(text, "0", PLAIN)


@pytest.mark.parametrize("text", ["0+1", "0+1.5OqZ", "0", "0+3.14OqZ ", "0oqZ"])
def test_what_fails_its_check_is_refused(text: str) -> None:
    """Also where the check characters are missing."""
    with pytest.raises(CrcMismatch):
        values(text, "0", CRC)


@pytest.mark.parametrize("asked", [PLAIN, CRC])
def test_a_reply_to_another_request_is_known_as_that(asked: Measurement) -> None:
    """It tells that answers come late, and not that the line is bad."""
    with pytest.raises(OfAnotherRequest):
        values("00012", "0", asked)
    for text in ("0+42.914", "0+3.14OqZ", "000123", "014QUARWINGCTCELL101"):
        with pytest.raises(OfAnotherRequest):
            announcement(text, "0", asked)
    with pytest.raises(OfAnotherRequest):
        acknowledgement("00012", "0")
    with pytest.raises(OfAnotherRequest):
        identification("00012", "0")


@pytest.mark.parametrize("text", ["0x", "0001", "0001x", "10012", "0\x7f\x7f\x7f\x7f"])
def test_noise_is_no_reply_to_another_request(text: str) -> None:
    """It is resent for, and no sign of a second logger."""
    with pytest.raises(Unreadable) as caught:
        announcement(text, "0", PLAIN)

    assert not isinstance(caught.value, OfAnotherRequest)
    assert str(caught.value).isprintable()


def test_counts_have_a_figure_more_where_the_measurement_is_concurrent() -> None:
    """Seconds, then values."""
    assert Announcement(1, 2) == announcement("00012", "0", PLAIN)
    assert Announcement(1, 23) == announcement("000123", "0", CONCURRENT)


def test_a_lone_instrument_says_its_address_and_several_say_none() -> None:
    """What several say at once is garbled."""
    assert "3" == own_address("3")
    assert acknowledgement("3", "3")
    for text in ("", "33", "#"):
        with pytest.raises(Unreadable):
            own_address(text)


def test_data_are_kept_as_they_were_written() -> None:
    """Page by page, and nothing else that was said."""
    texts = ["014QUARWINGCTCELL101", "00013", "0+1+2", "0", "0-3"]
    kept = ""
    for text in texts:
        kept = data_text(kept, text)

    assert "0+1+2 0-3" == kept


def test_what_is_quoted_is_printable_and_bounded() -> None:
    """Whatever was on the line."""
    assert quote("\x07" * 500).isprintable()
    assert len(quote("7" * 500)) <= 50
