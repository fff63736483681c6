"""Lines of a text file: its encoding, its line ends, and what is no text."""

from __future__ import annotations

import os
import tracemalloc

import pytest

from daemon.wire.no_recording import NoRecording
from daemon.wire.text_lines import LONGEST_LINE, TextLines

TEXT = "time;Leitfähigkeit µS;°C\n1;2;3\n"
LINES = ["time;Leitfähigkeit µS;°C", "1;2;3"]


def lines_of(data: bytes, piece: int = 65_536) -> list[str]:
    """All lines of a file whose bytes come in pieces of this size."""
    lines, found = TextLines(), list[str]()
    for start in range(0, len(data), piece):
        lines.feed(data[start : start + piece])
        found += iter(lines.next, None)
    lines.finish()
    return [*found, *iter(lines.next, None)]


@pytest.mark.parametrize(
    "encoding",
    ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "utf-32", "latin-1"],
)
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("piece", [1, 3, 65_536])
def test_a_text_is_read_in_any_encoding(encoding: str, end: str, piece: int) -> None:
    """With a byte order mark or without, whatever ends its lines and however its bytes come."""
    assert LINES == lines_of(TEXT.replace("\n", end).encode(encoding), piece)


def test_utf_16_of_the_other_order_is_read() -> None:
    """Its mark says so."""
    assert LINES == lines_of(b"\xfe\xff" + TEXT.encode("utf-16-be"))


def test_a_single_line_of_latin_1_spoils_no_other() -> None:
    """Each line is UTF-8 where it can be."""
    assert ["µ", "°", "ä"] == lines_of("µ\n".encode() + b"\xb0\n" + "ä\n".encode())


def test_the_last_line_needs_no_end() -> None:
    """Nor is there a further one after an end."""
    assert ["a", "b"] == lines_of(b"a\nb")
    assert ["a", "b"] == lines_of(b"a\nb\r")
    assert ["ab"] == lines_of(b"ab")
    assert [] == lines_of(b"")


@pytest.mark.parametrize("piece", [1, 3, 20_000, 65_536, 200_000])
@pytest.mark.parametrize("end", [b"\n", b"\r\n", b"\r"])
def test_whole_lines_are_those_that_come_one_by_one(piece: int, end: bytes) -> None:
    """Empty ones, those of another encoding, and those that are cut, wherever a piece ends."""
    longest = b"x" * (50 if piece < 1000 else 3 * LONGEST_LINE)
    data = end.join([b"time", b"", "µ".encode(), b"\xb0", longest, b"42", b"", b"a"])
    lines, found = TextLines(), list[str]()
    for start in range(0, len(data), piece):
        lines.feed(data[start : start + piece])
        found += lines.whole()
    lines.finish()

    assert lines_of(data, piece) == [*found, *lines.whole()]


def test_a_line_without_end_takes_no_memory() -> None:
    """It comes once, cut, however long it is; the line after it is whole."""
    lines, given, piece = TextLines(), list[str](), b"x" * 65_536
    tracemalloc.start()
    for each in [b"a head that is long enough to begin\n", *([piece] * 200), b"\nnext\n"]:
        lines.feed(each)
        given += iter(lines.next, None)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()

    assert ["x" * (LONGEST_LINE + 1), "next"] == given[1:]
    assert peak < 10 * LONGEST_LINE


@pytest.mark.parametrize(
    "data, said",
    [
        (b"PK\x03\x04 a sheet", "a spreadsheet or an archive; save the table as CSV"),
        (b"\x1f\x8b\x08\x00 packed", "compressed"),
        (b"SQLite format 3\x00 a journal", "brinewright export"),
        (b"%PDF-1.7", "a PDF"),
        (bytes(range(256)) * 100, "its first line holds bytes that no CSV has"),
        (b"\x7fELF\x02\x01\x01\x00\x00\x00", "its first line holds bytes that no CSV has"),
    ],
)
def test_what_is_no_text_is_named(data: bytes, said: str) -> None:
    """In one sentence, with what to do where that is known."""
    with pytest.raises(NoRecording, match="it is no text") as refused:
        lines_of(data)

    assert said in str(refused.value)


def test_zeros_in_a_row_cost_only_that_row() -> None:
    """A card whose power was cut holds blocks of them."""
    assert ["time;a", "\x00\x00\x00", "1;2"] == lines_of(b"time;a\n\x00\x00\x00\n1;2\n")


def test_random_bytes_are_lines_or_refused() -> None:
    """Nothing else comes of them."""
    for _ in range(50):
        try:
            found = lines_of(os.urandom(3000))
        except NoRecording:
            continue
        assert all(isinstance(each, str) for each in found)
