"""Decimal signs and encodings: read as configured, and where they are not, the key is named."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.wire.line import Frame, Spoken, Unreadable, parse
from daemon.wire.near_miss import best_text, near_miss
from daemon.wire.reply import DECIMALS, ENCODINGS, ReplyFormat, reply_pattern

POINT = r"(?P<conductivity>[\d.]+);(?P<temperature>[\d.]+)"
COMMA = r"(?P<conductivity>[\d,]+);(?P<temperature>[\d,]+)"
EITHER = r"(?P<conductivity>[\d.,]+);(?P<temperature>[\d.,]+)"
SIGNS = r"(?P<conductivity>[\d.]+) µS/cm (?P<temperature>[\d.]+) °C"
SIGNS_COMMA = r"(?P<conductivity>[\d,]+) µS/cm (?P<temperature>[\d,]+) °C"
SAID = "52100.5 µS/cm 24.25 °C"


def spoken(data: bytes, reply: ReplyFormat) -> Spoken:
    """What a line says, as it is configured."""
    return parse(Frame(data).text(reply.encoding), reply.pattern, reply.decimal)


@pytest.mark.parametrize(
    "line, value",
    [
        ("52,1;24,25", Spoken(52.1, 24.25)),
        ("-0,02;7", Spoken(-0.02, 7.0)),
        ("4,29e4;24", Spoken(42900.0, 24.0)),
    ],
)
def test_numbers_with_a_comma_are_read_where_it_is_the_decimal_sign(
    line: str, value: Spoken
) -> None:
    """Whole numbers and powers of ten too."""
    reply = reply_pattern(r"(?P<conductivity>[-\d,e]+);(?P<temperature>[\d,]+)")

    assert value == parse(line, reply, ",")


@pytest.mark.parametrize("line", ["1.234,5;24", "52.1;24", "1,234,5;24", ",;24", "52,1;24.5"])
def test_a_point_is_never_guessed_to_be_a_decimal_sign_or_a_mark_of_thousands(line: str) -> None:
    """Where the comma is the decimal sign, who sends 1.234 may mean either."""
    with pytest.raises(Unreadable, match="where a number is due"):
        parse(line, reply_pattern(EITHER), ",")


@pytest.mark.parametrize("mu", ["\u00b5", "\u03bc"], ids=["micro sign", "Greek mu"])
@pytest.mark.parametrize("written", ["\u00b5", "\u03bc"], ids=["micro sign", "Greek mu"])
def test_micro_and_degree_match_in_the_encoding_of_the_line(mu: str, written: str) -> None:
    """In UTF-8 either letter stands for micro, in Latin-1 there is one; a pattern has any."""
    pattern = reply_pattern(SIGNS.replace("µ", written))

    utf_8 = SAID.replace("µ", mu).encode()
    assert Spoken(52100.5, 24.25) == spoken(utf_8, ReplyFormat(pattern, encoding="utf-8"))
    latin_1 = SAID.encode("latin-1")
    assert Spoken(52100.5, 24.25) == spoken(latin_1, ReplyFormat(pattern, encoding="latin-1"))


@pytest.mark.parametrize(
    "pattern, decimal, encoding, data, said",
    [
        (EITHER, ".", "ascii", b"52,1;24,2", 'set decimal = ","'),
        (EITHER, ",", "ascii", b"52.1;24.2", 'set decimal = "."'),
        (COMMA, ".", "ascii", b"52,1;24,2", 'set decimal = ","'),
        (
            *(POINT, ".", "ascii", b"52,1;24,2"),
            r'set decimal = "," and allow "," in the numbers of reply, as [\d,]+ does',
        ),
        (POINT, ",", "ascii", b"52,1;24,2", r'allow "," in the numbers of reply, as [\d,]+ does'),
        (COMMA, ".", "ascii", b"52.1;24.2", r'allow "." in the numbers of reply, as [\d.]+ does'),
        (SIGNS, ".", "utf-8", SAID.encode("latin-1"), 'set encoding = "latin-1"'),
        (SIGNS, ".", "latin-1", SAID.encode(), 'set encoding = "utf-8"'),
        (SIGNS, ".", "ascii", SAID.encode(), 'set encoding = "utf-8"'),
        (
            *(SIGNS_COMMA, ".", "utf-8", SAID.replace(".", ",").encode("latin-1")),
            'set encoding = "latin-1" and set decimal = ","',
        ),
    ],
)
def test_a_line_that_fits_but_for_that_names_the_key(
    pattern: str, decimal: str, encoding: str, data: bytes, said: str
) -> None:
    """And the pattern, where it has to change as well."""
    reply = ReplyFormat(reply_pattern(pattern), decimal, encoding)
    with pytest.raises(Unreadable):
        spoken(data, reply)

    assert said == near_miss(Frame(data), reply)


@pytest.mark.parametrize(
    "data", [b"hello", b"52;24;7", b"\x80\xfe;\x00", b"52,1,24,2", b";", b"52,1.7;24"]
)
@pytest.mark.parametrize("pattern", [POINT, COMMA, SIGNS])
def test_anything_else_is_no_near_miss(data: bytes, pattern: str) -> None:
    """Noise of a wrong baud rate is not blamed on the decimal sign."""
    assert "" == near_miss(Frame(data), ReplyFormat(reply_pattern(pattern), encoding="utf-8"))


def test_a_line_that_was_cut_is_no_near_miss() -> None:
    """What is missing of it may be anything."""
    assert "" == near_miss(Frame(b"52,1;24,2", whole=False), ReplyFormat(reply_pattern(EITHER)))


@given(
    st.binary(min_size=1, max_size=40),
    st.sampled_from([POINT, COMMA, EITHER, SIGNS]),
    st.sampled_from(DECIMALS),
    st.sampled_from(ENCODINGS),
)
def test_no_bytes_make_it_fail(data: bytes, pattern: str, decimal: str, encoding: str) -> None:
    """A sentence or none; and what it advises is to change something."""
    reply = ReplyFormat(reply_pattern(pattern), decimal, encoding)
    advice = near_miss(Frame(data), reply)

    assert advice == "" or "set " in advice or "allow " in advice
    assert f'set decimal = "{decimal}"' not in advice
    assert f'set encoding = "{encoding}"' not in advice


def test_a_line_is_shown_in_letters_where_it_can_be() -> None:
    """So that a person sees the sign that the pattern lacks; noise stays replaced."""
    assert SAID == best_text(Frame(SAID.encode()), "ascii")
    assert SAID == best_text(Frame(SAID.encode("latin-1")), "ascii")
    assert "\ufffd\x01" == best_text(Frame(b"\x80\x01"), "ascii")
