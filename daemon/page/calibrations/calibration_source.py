"""Where the pages and addresses about calibrations read from.

The library of calibrations and what it needs (14 MB) are loaded at the first look, and
not with the page.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from threading import Lock
from typing import TYPE_CHECKING

from daemon.journal.errors import JournalError, JournalMissingError
from daemon.page.api.endpoint import NotThereError

if TYPE_CHECKING:
    from calibration.record import Record
    from daemon.mixing.probe.calibration_history import Calibrations
    from daemon.page.calibrations.answers import DriftAnswer, HistoryAnswer, RoutineAnswer
    from daemon.page.calibrations.calibration_log import CalibrationLog, CalibrationsNow
    from daemon.page.request import Request
    from daemon.page.sources import Sources
    from daemon.page.view import StationView


@dataclass(frozen=True, slots=True)
class Preparation:
    """What is to be known before a routine begins.

    Attributes:
        cautions: As sentences.
        references: Word and meaning of each kind of reference.
    """

    cautions: tuple[str, ...]
    references: tuple[tuple[str, str], ...]


@dataclass(slots=True)
class CalibrationSource:
    """Reads calibrations; safe to be called by several threads.

    Attributes:
        sources: What the page reads from.
    """

    sources: Sources
    _log: CalibrationLog | None = field(default=None, init=False)
    _lock: Lock = field(default_factory=Lock, init=False)

    def history(
        self,
        request: Request,
        reservoir: str | None = None,
        probe: str | None = None,
        limit: int = 200,
    ) -> HistoryAnswer:
        """Return probes and records, the newest record first.

        Args:
            request: The answer is not from before it.
            reservoir: Of this one alone; None for all.
            probe: Likewise.
            limit: Most records.

        Raises:
            JournalError: The journal cannot be read.
        """
        from daemon.page.calibrations.record_answers import history

        at, known = self.sources.view(request).at, self.known()
        return history(known, self.sources.settings, at, reservoir, probe, limit)

    def drift(self, request: Request, reservoir: str, probe: str) -> DriftAnswer:
        """Return how the adjustment of a probe's cell has moved, and where it goes.

        Args:
            request: The answer is not from before it.
            reservoir: Of the probe.
            probe: Its name.

        Raises:
            NotThereError: No such probe is configured or on record.
            JournalError: The journal cannot be read.
        """
        from daemon.page.calibrations.drift_answer import drift_answer
        from daemon.page.calibrations.record_answers import probe_names

        known = self.known()
        if (reservoir, probe) not in probe_names(known, self.sources.settings):
            raise NotThereError(
                f"there is no probe {probe!r} in a reservoir {reservoir!r};"
                " /api/calibrations names those there are"
            )
        return drift_answer(known, reservoir, probe, self.sources.view(request).at)

    def routines(self, view: StationView) -> tuple[RoutineAnswer, ...]:
        """Return every routine whose probe is out of the water.

        Args:
            view: Of now.

        Raises:
            JournalError: The journal cannot be read.
        """
        from daemon.page.calibrations.routine_answer import routine_answers

        try:
            now = self._read()
        except JournalMissingError:
            return ()
        return routine_answers(now.routines, self.sources.settings, view.at)

    def known(self) -> Calibrations:
        """Return all records, with what the configuration assumes of each probe.

        Raises:
            JournalError: The journal cannot be read.
        """
        from daemon.page.calibrations.record_answers import known_of

        records: tuple[Record, ...] = ()
        try:
            records = tuple(self._read().records)
        except JournalMissingError:
            records = ()
        return known_of(records, self.sources.settings)

    def preparation(self) -> Preparation:
        """Return what is to be known before a routine begins."""
        from calibration.instructions import CAUTIONS
        from calibration.tables import PUBLISHED

        return Preparation(
            CAUTIONS,
            (
                ("air", "the dry cell in air, for the zero"),
                *((key, each.name) for key, each in PUBLISHED.items()),
                ("seawater", "seawater of stated practical salinity"),
                ("table", "any other solution with a table of °C against mS/cm on it"),
                ("purified-water", "purified water, for the zero"),
                ("ice", "ice in purified water, for the thermometer"),
            ),
        )

    def _read(self) -> CalibrationsNow:
        from daemon.page.calibrations.calibration_log import CalibrationLog

        with self._lock:
            log = self._log = self._log or CalibrationLog()
        try:
            return log.read(self.sources.reader)
        except ValueError as exc:
            raise JournalError(f"the calibration records cannot be read: {exc}") from exc
