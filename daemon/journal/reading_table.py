"""Where a reading is written: counted from a base where it can be, and as it is where not."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, TypeAlias

from daemon.journal import bases, rows
from daemon.journal.bases import Bases

if TYPE_CHECKING:
    from daemon.entries import Reading
    from daemon.journal.rows import Origin

Step: TypeAlias = tuple[str, tuple[Any, ...]]
"""A statement and its values."""


def insertion(table: str, columns: str) -> str:
    """Return the statement that adds a row to a table."""
    marks = ", ".join("?" * len(columns.split(", ")))
    return f"INSERT INTO {table} ({columns}) VALUES ({marks})"  # noqa: S608 - our own names


FULL = insertion("full_readings", rows.READING_COLUMNS)
COMPACT = insertion("compact_readings", bases.COMPACT_COLUMNS)
BASE = insertion("bases", bases.BASE_COLUMNS)
REMOVALS = (
    "DELETE FROM full_readings WHERE seq <= ?",
    "DELETE FROM compact_readings WHERE seq <= ?",
    # Readings that stay count from a base that is not further back than this.
    f"DELETE FROM bases WHERE seq < ? - {bases.FURTHEST}",  # noqa: S608 - a constant
)
"""Remove every reading up to a number."""


class ReadingTable:
    """Makes the statements that write readings."""

    def __init__(self) -> None:
        """Begin with no base: each run of a writer makes its own."""
        self._bases = Bases()

    def steps(self, seq: int, number: int, origin: Origin, reading: Reading) -> list[Step]:
        """Return what writes a reading; the statements are to be run in one transaction.

        Args:
            seq: Its number, higher than that of the reading before.
            number: That of its origin.
            origin: Its origin.
            reading: The reading.
        """
        row = rows.reading_row(seq, number, origin, reading)
        found = self._bases.compact(row)
        if found is None:
            return [(FULL, row)]
        compact, base = found
        added = [] if base is None else [(BASE, base)]
        return [*added, (COMPACT, compact)]

    def forget(self) -> None:
        """Forget the bases, for one that was given may not have been written."""
        self._bases.forget()
