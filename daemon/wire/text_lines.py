"""Bytes of a text file to its lines, in whichever encoding they are and however they come.

UTF-8 and UTF-16, with a byte order mark or without; a line that is no UTF-8 is read as
Latin-1, in which many loggers write µ and °.  A line ends with LF, CR or both.
"""

from __future__ import annotations

import codecs
import re

from daemon.wire.no_recording import NoRecording

LONGEST_LINE = 65_536
"""Characters; our own choice, some hundred times the longest row of an export."""
EIGHT_BIT = "latin-1"
"""Keeps each byte as one character, so that a line can be tried as UTF-8 once it is whole."""
MARKS = (
    (codecs.BOM_UTF8, EIGHT_BIT),
    (codecs.BOM_UTF32_LE, "utf-32-le"),
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
"""Byte order marks; that of UTF-32 begins with that of UTF-16.  Source: The Unicode Standard."""
FOREIGN = (
    (b"PK\x03\x04", "a spreadsheet or an archive; save the table as CSV"),
    (b"\x1f\x8b", "compressed; unpack it first (gunzip)"),
    (b"SQLite format 3", "a database; of a journal, 'brinewright export --journal' makes a CSV"),
    (b"%PDF-", "a PDF; save the table as CSV"),
)
"""How files begin that are given in place of a CSV (from memory, as file(1) tells them)."""
LOOKED_AT = 4096
HEAD_BYTES = 32
"""Enough to tell the encoding by, and less than any header has."""
LINE_END = re.compile(r"\r\n|\n|\r(?=.)", re.DOTALL)
CONTROL = re.compile(rb"[\x00-\x08\x0e-\x1f]")


class TextLines:
    """The lines of a file whose bytes come in pieces; at most one long line is kept."""

    def __init__(self) -> None:
        """Begin before the first byte."""
        self._head = b""
        self._encoding = ""
        self._decoder: codecs.IncrementalDecoder | None = None
        self._text = ""
        self._at = 0
        self._is_overlong = False

    def feed(self, data: bytes) -> None:
        """Take the next bytes.

        Raises:
            NoRecording: They are no text.
        """
        if self._decoder is not None:
            self._append(self._decoder.decode(data))
            return
        self._head += data
        if len(self._head) >= HEAD_BYTES or b"\n" in self._head[len(codecs.BOM_UTF32_LE) :]:
            self._begin()

    def finish(self) -> None:
        """Take note that no more bytes come: what is left is the last line.

        Raises:
            NoRecording: As in `feed`.
        """
        if self._decoder is None:
            self._begin()
        if self.unfinished and not self._text.endswith("\n"):
            self._append("\n")

    @property
    def unfinished(self) -> bool:
        """Whether a line has begun and not ended."""
        return bool(self._head) or self._at < len(self._text)

    def next(self) -> str | None:
        """Return the next whole line without its end; None while there is none.

        One that is longer than `LONGEST_LINE` comes cut to a character more than that.
        """
        while (end := LINE_END.search(self._text, self._at)) is not None:
            line, self._at = self._text[self._at : end.start()], end.end()
            if not self._is_overlong:
                return self._decoded(line[: LONGEST_LINE + 1])
            # The end of a line whose beginning was given already.
            self._is_overlong = False
        if len(self._text) - self._at <= LONGEST_LINE:
            return None
        line, was_given = self._text[self._at : self._at + LONGEST_LINE + 1], self._is_overlong
        # A return at the very end may be half of a line's end.
        self._text, self._at = "\r" if self._text.endswith("\r") else "", 0
        self._is_overlong = True
        return None if was_given else self._decoded(line)

    def whole(self) -> list[str]:
        """Return all whole lines that are there, as `next` would give them one after the other."""
        text = self._text[self._at :]
        *lines, rest = LINE_END.split(text)
        if self._is_overlong or max(map(len, (*lines, rest))) > LONGEST_LINE:
            return [*iter(self.next, None)]
        self._text, self._at = rest, 0
        return lines if text.isascii() else [self._decoded(line) for line in lines]

    def _begin(self) -> None:
        head, self._head = self._head, b""
        for beginning, what in FOREIGN:
            if head.startswith(beginning):
                raise NoRecording(f"it is no text but {what}")
        mark, self._encoding = next(
            (each for each in MARKS if head.startswith(each[0])), (b"", _unmarked(head))
        )
        if self._encoding == EIGHT_BIT and CONTROL.search(head[:LOOKED_AT].partition(b"\n")[0]):
            raise NoRecording("it is no text: its first line holds bytes that no CSV has")
        self._decoder = codecs.getincrementaldecoder(self._encoding)(errors="replace")
        self._append(self._decoder.decode(head[len(mark) :]))

    def _append(self, text: str) -> None:
        self._text, self._at = self._text[self._at :] + text, 0

    def _decoded(self, line: str) -> str:
        if line.isascii() or self._encoding != EIGHT_BIT:
            return line
        try:
            return line.encode(EIGHT_BIT).decode("utf-8")
        except UnicodeDecodeError:
            return line


def _unmarked(head: bytes) -> str:
    """Return the encoding of text without a mark: every second byte of a header in UTF-16 is 0."""
    pairs = min(len(head), LOOKED_AT) // 2
    first, second = head[: 2 * pairs : 2].count(0), head[1 : 2 * pairs : 2].count(0)
    if 2 * second > pairs and not first:
        return "utf-16-le"
    if 2 * first > pairs and not second:
        return "utf-16-be"
    return EIGHT_BIT
