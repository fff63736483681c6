"""The times of a recording in their order, and durations out of them.

Recorded wall times may go back: one row out of order is left out, and a clock that was set
back is followed from the row after.  A file from the newest row to the oldest is refused.
"""

from __future__ import annotations

from datetime import UTC, datetime

from daemon.wire.no_recording import NoRecording

YEARS = range(1970, 2200)
JUMP_S = 30 * 86_400.0
FIRST_STEP_S = 2.0
OUTAGE_S = 600.0
"""A clock that came out wrong mostly came out of a power cut, whose length nobody knows.  It counts
for so long, our own choice: a usual step would show the water as if it had leapt in it."""
CORRECTION_S = 60.0
"""A clock set back by less was corrected while it ran, which takes one usual step."""
SHOWN = 60
REVERSED_ROWS = 20
"""So many rows back in time without one forth, and the file is in reverse order."""
REVERSED_FILE = 2
"""The same of a file that ends before that."""
LINES_SHOWN = 5


class RecordedTime:
    """Durations out of wall times, row by row.

    Where it was set back, or far ahead, an outage of unknown length is counted.
    """

    def __init__(self) -> None:
        """Begin before the first row."""
        self._last: datetime | None = None
        self._last_line = 0
        self._skipped: datetime | None = None
        self._skipped_line = 0
        self._usual_s = FIRST_STEP_S
        self._mono_s = 0.0
        self._forth, self._back = 0, 0
        self._set_back, self._far_ahead = _Places(), _Places()

    def advance(self, wall: datetime, line: int) -> float:
        """Return the monotonic seconds of a row.

        Args:
            wall: Its time.
            line: Its number in the file.

        Raises:
            ValueError: It lies before the row above; it is to be left out.
            NoRecording: So do all rows.
        """
        if self._last is None:
            self._last, self._last_line = wall, line
            return 0.0
        step_s = (wall - self._last).total_seconds()
        if step_s < 0.0:
            away_s = OUTAGE_S if -step_s >= CORRECTION_S else self._usual_s
            step_s = away_s + self._after_set_back_s(wall, line, -step_s)
        elif step_s > JUMP_S:
            self._far_ahead.add(line)
            step_s = OUTAGE_S
        else:
            self._usual_s = step_s or self._usual_s
        self._forth += step_s > 0.0
        self._skipped, self._last, self._last_line = None, wall, line
        self._mono_s += step_s
        return round(self._mono_s, 3)

    def finish(self) -> None:
        """Take note of the end of the file.

        Raises:
            NoRecording: No row was later than the one above, and some were earlier.
        """
        if self._back >= REVERSED_FILE:
            self._refuse_reverse()

    @property
    def remarks(self) -> list[str]:
        """How times that jumped were read, a sentence each."""
        found = []
        if self._set_back.count:
            found.append(
                f"the clock was set back {self._set_back}; rows count on from there as "
                f"if {OUTAGE_S / 60:g} min had passed, or one usual step where it was by less than "
                f"{CORRECTION_S:g} s"
            )
        if self._far_ahead.count:
            found.append(
                f"the clock jumped ahead by more than {JUMP_S / 86_400:g} days "
                f"{self._far_ahead}, counted as {OUTAGE_S / 60:g} min"
            )
        return found

    def _after_set_back_s(self, wall: datetime, line: int, before_s: float) -> float:
        """Return the seconds since the row that was left out, which this one follows."""
        if self._skipped is None or wall <= self._skipped:
            self._skipped, self._skipped_line = wall, line
            self._back += 1
            if self._back >= REVERSED_ROWS:
                self._refuse_reverse()
            raise ValueError(f"its time is {before_s:g} s before that of line {self._last_line}")
        since_s = (wall - self._skipped).total_seconds()
        self._set_back.add(self._skipped_line)
        return since_s

    def _refuse_reverse(self) -> None:
        if not self._forth:
            raise NoRecording("its rows go back in time from the first on; sort them by time")


def wall_time(text: str) -> tuple[datetime, bool]:
    """Return a time of ISO 8601 in UTC, and whether it named its zone.

    Raises:
        ValueError: It is none, or from no year that a recording can be of.
    """
    try:
        wall = datetime.fromisoformat(text.strip())
    except ValueError:
        msg = f"time {text[:SHOWN]!r} is not ISO 8601, such as 2026-03-02T08:00:00Z"
        raise ValueError(msg) from None
    # Before a change of zone, which could leave the calendar.
    if wall.year not in YEARS:
        msg = f"time {text[:SHOWN]!r} is not from {YEARS[0]} to {YEARS[-1]}"
        raise ValueError(msg)
    if wall.tzinfo is None:
        return wall.replace(tzinfo=UTC), False
    return wall if wall.tzinfo is UTC else wall.astimezone(UTC), True


class _Places:
    """How often something was so, and the first lines in which it was."""

    def __init__(self) -> None:
        self.count = 0
        self._first: list[int] = []

    def add(self, line: int) -> None:
        self.count += 1
        if self.count <= LINES_SHOWN:
            self._first.append(line)

    def __str__(self) -> str:
        if self.count == 1:
            return f"once (line {self._first[0]})"
        more = ", ..." if self.count > LINES_SHOWN else ""
        return f"{self.count} times (lines {', '.join(map(str, self._first))}{more})"
