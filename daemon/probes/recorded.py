"""A recording as an instrument: its rows come at the pace at which they were recorded.

For a rehearsal of everything behind the probes without a probe, and for an instrument whose
own program writes a file.  The file may still grow.
"""

from __future__ import annotations

import math
import os
import stat
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from pydantic import Field

from daemon.config.fields import FilePath
from daemon.config.probe import Quantity, Source
from daemon.entries import Instant, Sample
from daemon.probes.driver import Buses, DriverKind, FaultLimit
from daemon.wire.no_recording import NoRecording
from daemon.wire.recording import BadRow, Destination, Recording
from daemon.wire.text_lines import TextLines

REOPEN_S = 1.0
CHUNK = 65_536
END_PERIODS = 3
"""So many periods without a further row, and the recording counts as ended."""
AT_ONCE = 500
"""Empty rows that are passed over in one turn."""


class RecordedSection(Source):
    """The section of `driver = "recorded"`.

    Attributes:
        path: CSV file as `brinewright replay` takes it.
    """

    path: FilePath = Field(description="the path of a recording such as 'rehearsal.csv'")

    @classmethod
    def gives(
        cls,
        table: Mapping[str, Any],  # noqa: ARG003 - only the file itself could say what it lacks
    ) -> frozenset[Quantity]:
        """Return what a recording may hold."""
        return frozenset(("conductivity", "temperature", "pump"))


class RecordedProbe:
    """One recording that is played."""

    def __init__(self, reservoir: str, section: RecordedSection, _buses: Buses) -> None:
        """Remember the settings; the file is opened at the first `wake`."""
        self._names = (reservoir, section.name)
        self._path = section.path
        self._period_s = section.period_s
        self._faults = FaultLimit(reservoir, section.name, section.period_s)
        self._owed = _owed(reservoir, section)
        self._rows: Rows | None = None
        self._due_s = 0.0
        self._began_s = 0.0
        self._next: Sample | None = None
        self._idle_s: float | None = None

    def fileno(self) -> int | None:
        """Return nothing: a file is always ready, so there is nothing to watch."""
        return None

    def wake_s(self) -> float:
        """Monotonic time, s, of the next row."""
        return self._due_s

    def wake(self, now: Instant) -> list[Sample]:
        """Give the row that is due, and look for the next one."""
        if now.mono_s < self._due_s:
            return []
        try:
            if self._rows is None or not self._rows.there():
                return self._open(now)
            came = [] if self._next is None else [self._as_of(now, self._next)]
            return [*came, *self._look_ahead(now, self._rows)]
        except (OSError, NoRecording) as exc:
            return self._lost(now, _why(exc))

    def readable(self, _now: Instant) -> list[Sample]:
        """Return nothing: there is no descriptor."""
        return []

    def close(self) -> None:
        """Let go of the file; may be called twice."""
        if self._rows is not None:
            self._rows.close()
        self._rows = self._next = None

    def _as_of(self, now: Instant, row: Sample) -> Sample:
        """Return a row as a sample of now; one that has all that it owes has no fault."""
        has_all = any(getattr(row, name) is not None for name in self._owed)
        return replace(row, at=now, fault="" if has_all else row.fault)

    def _open(self, now: Instant) -> list[Sample]:
        self.close()
        self._rows = Rows(self._path, *self._names)
        self._began_s = now.mono_s
        return self._look_ahead(now, self._rows)

    def _look_ahead(self, now: Instant, rows: Rows) -> list[Sample]:
        self._next, faults = None, list[Sample]()
        row = rows.next(now.mono_s, self._period_s)
        if row is not None:
            self._idle_s = None
        if isinstance(row, Sample):
            self._next = row
            self._due_s = max(now.mono_s, self._began_s + row.at.mono_s)
            return []
        self._due_s = now.mono_s + self._period_s
        if isinstance(row, BadRow):
            why = f"recording {self._path}, line {row.line}: {row.why}; correct or remove it"
            self._due_s = now.mono_s
            faults = self._faults.samples(now, why)
        elif self._ended(now.mono_s):
            why = f"recording {self._path} is at its end; add rows, or name another file"
            faults = self._faults.samples(now, why)
        return faults

    def _ended(self, now_s: float) -> bool:
        """Say whether no row was there for so long that none is likely to come."""
        if self._idle_s is None:
            self._idle_s = now_s
        return now_s - self._idle_s >= END_PERIODS * self._period_s

    def _lost(self, now: Instant, why: str) -> list[Sample]:
        self.close()
        self._due_s = now.mono_s + min(REOPEN_S, self._period_s / 4.0)
        return self._faults.samples(now, f"recording {self._path}: {why}")


class Rows:
    """The rows of a file that may still grow."""

    def __init__(self, path: Path, reservoir: str, probe: str) -> None:
        """Open the file, which is not waited for.

        Raises:
            OSError: It cannot be opened, or is a folder, a pipe or a device.
        """
        self._path = path
        self._descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
        if not stat.S_ISREG(os.fstat(self._descriptor).st_mode):
            self.close()
            raise OSError(0, "it is no file")
        self._recording = Recording(Destination(reservoir, (probe,)))
        self._lines = TextLines()
        self._grew_s = -math.inf

    def there(self) -> bool:
        """Say whether the path still leads to this file, and nothing was cut off it.

        Raises:
            OSError: It leads nowhere.
        """
        found, own = self._path.stat(), os.fstat(self._descriptor)
        read = os.lseek(self._descriptor, 0, os.SEEK_CUR)
        return (found.st_dev, found.st_ino) == (own.st_dev, own.st_ino) and read <= own.st_size

    def next(self, now_s: float, patience_s: float) -> Sample | BadRow | None:
        """Return the next row; None while there is none.

        Args:
            now_s: Monotonic time, s.
            patience_s: How long a last line without an end may still grow, s.

        Raises:
            NoRecording: It is no recording.
            OSError: It cannot be read.
        """
        for _ in range(AT_ONCE):
            line = self._line(now_s, patience_s)
            if line is None:
                return None
            if (row := self._recording.row(line)) is not None:
                return row
        return None

    def close(self) -> None:
        """Let go of the file."""
        os.close(self._descriptor)

    def _line(self, now_s: float, patience_s: float) -> str | None:
        line = self._lines.next()
        if line is not None:
            return line
        more = os.read(self._descriptor, CHUNK)
        if more or self._grew_s == -math.inf:
            self._grew_s = now_s
        self._lines.feed(more)
        line = self._lines.next()
        if line is None and self._lines.unfinished and now_s - self._grew_s >= patience_s:
            self._lines.finish()
            line = self._lines.next()
        return line


def _owed(reservoir: str, section: RecordedSection) -> tuple[str, ...]:
    """Return the values of a row one of which is enough; none where it owes both of its own."""
    if not reservoir:
        return ("temperature_C", "pump")
    # The section of a probe has its keys beside those of the driver.
    is_joined = getattr(section, "temperature_from", None) is not None
    return ("conductivity_mS_cm",) if is_joined else ()


def _why(exc: Exception) -> str:
    if isinstance(exc, NoRecording):
        return f"{exc}; name another file"
    if isinstance(exc, FileNotFoundError):
        return "there is no such file; put it back, or correct the probe's path"
    if isinstance(exc, PermissionError):
        return "no permission; let the service's user read it"
    return f"it cannot be read ({getattr(exc, 'strerror', None) or exc}); name another file"


DRIVER = DriverKind(RecordedSection, RecordedProbe)
