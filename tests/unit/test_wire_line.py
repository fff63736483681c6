"""Lines out of bytes and numbers out of lines, and what is refused."""

from __future__ import annotations

import re

import pytest

from daemon.wire.line import LINE_LIMIT, Splitter, Spoken, Unreadable, parse, shown

REPLY = re.compile(r"(?P<conductivity>[-+.\w]+),(?P<temperature>[-+.\w]+)(,(?P<pump>\w+))?")


@pytest.mark.parametrize(
    "said, lines",
    [
        (b"1,2\r", ["1,2"]),
        (b"1,2\n", ["1,2"]),
        (b"1,2\r\n3,4\r\n", ["1,2", "3,4"]),
        (b"\r\n\n\r1,2\n\n", ["1,2"]),
        (b"1,2", []),
        (b"\xff1,2\r", ["\ufffd1,2"]),
    ],
)
def test_a_line_ends_with_cr_or_lf_or_both(said: bytes, lines: list[str]) -> None:
    """However an instrument ends its lines, they are the same lines; empty ones are none."""
    assert lines == Splitter().feed(said)


def test_a_line_without_end_is_bounded_and_marked() -> None:
    """A wrong baud rate can say a megabyte without a line end, and it is not kept."""
    splitter = Splitter()
    for _ in range(100):
        assert [] == splitter.feed(b"7" * 10_000)
    (line,) = splitter.feed(b"\r")

    assert len(line) == LINE_LIMIT + 1
    with pytest.raises(Unreadable):
        parse(line, re.compile(r"(?P<conductivity>\d)(?P<temperature>\d+)"))


def test_a_line_after_one_too_long_is_whole() -> None:
    """What was dropped ends with its own line."""
    assert "1,2" == Splitter().feed(b"x" * 1000 + b"\r1,2\r")[-1]


def test_an_unfinished_line_can_be_forgotten() -> None:
    """What was left of an old reply does not begin the next one."""
    splitter = Splitter()
    splitter.feed(b"429")
    splitter.clear()

    assert ["1,2"] == splitter.feed(b"1,2\r")


@pytest.mark.parametrize(
    "line, spoken",
    [
        ("42914,24.05", Spoken(42914.0, 24.05)),
        (" 42914,24.05 ", Spoken(42914.0, 24.05)),
        ("-0.02,+7", Spoken(-0.02, 7.0)),
        ("4.29e4,24", Spoken(42900.0, 24.0)),
        ("1,2,1", Spoken(1.0, 2.0, pump=True)),
        ("1,2,ON", Spoken(1.0, 2.0, pump=True)),
        ("1,2,0", Spoken(1.0, 2.0, pump=False)),
    ],
)
def test_a_reply_gives_its_numbers(line: str, spoken: Spoken) -> None:
    """Numbers as the instrument said them, and the pump where it says that."""
    assert spoken == parse(line, REPLY)


@pytest.mark.parametrize(
    "line",
    [
        "",
        "R",
        "1;2",
        "1,2,3,4",
        ">1,2",
        "1,2 garbage",
        "nan,2",
        "1,inf",
        "1e999,2",
        "1e300,2",
        "abc,2",
        "1_000,2",
        "1.2.3,4",
    ],
)
def test_what_is_no_reply_is_refused_with_the_reason(line: str) -> None:
    """No number is made of half a line, of words, or of what no instrument measures."""
    with pytest.raises(Unreadable, match=r"^the reply '"):
        parse(line, REPLY)


def test_a_line_is_shown_short_and_printable() -> None:
    """Control characters of a broken line reach neither a log nor a terminal."""
    text = shown("\x1b[2J\x00é" + "x" * 500)

    assert text.startswith("\ufffd[2J\ufffd\ufffd")
    assert (64, True) == (len(text), text.isprintable())
