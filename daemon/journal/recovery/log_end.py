"""Whether the end of the write-ahead log that a killed process left can still be read.

SQLite goes on with the commits before the first frame that does not add up and says nothing
of those behind it.  A power cut leaves such an end too, so this is told and no more.

Source: the SQLite file format, section 4 (the write-ahead log).
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

HEADER, FRAME = 32, 24
MAGIC = {0x377F0682: "<", 0x377F0683: ">"}
LARGEST = 32_000_000
"""Bytes that are looked at: SQLite keeps the log at some four million."""


def commits_lost(log: Path) -> bool:
    """Say whether the log at `log` holds commits that SQLite will not go on with."""
    try:
        with log.open("rb") as file:
            data = file.read(LARGEST)
    except OSError:
        return False
    if len(data) <= HEADER:
        return False
    magic, _, page, _, salt_1, salt_2, sum_1, sum_2 = struct.unpack_from(">8I", data)
    order = MAGIC.get(magic)
    if order is None or _sums(data[: HEADER - 8], order, 0, 0) != (sum_1, sum_2):
        return True
    step, at, whole = FRAME + page, HEADER, True
    while at + step <= len(data):
        _, commit, first, second, *kept = struct.unpack_from(">6I", data, at)
        if whole:
            sums = _sums(data[at : at + 8], order, sum_1, sum_2)
            sum_1, sum_2 = _sums(data[at + FRAME : at + step], order, *sums)
            whole = (first, second) == (salt_1, salt_2) and kept == [sum_1, sum_2]
        if not whole and commit and (first, second) == (salt_1, salt_2):
            return True
        at += step
    return False


def _sums(data: bytes, order: str, first: int, second: int) -> tuple[int, int]:
    for one, two in struct.iter_unpack(f"{order}2I", data):
        first = (first + one + second) & 0xFFFFFFFF
        second = (second + two + first) & 0xFFFFFFFF
    return first, second
