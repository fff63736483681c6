"""Every calibration and check of the station's probes: what is in force, and what is due.

The records come out of the journal and are only ever added to.  Their
order is that of writing, and decides what is in force: a clock that is wrong for a while must
not restore an old calibration.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from calibration import ageing, due_dates, history
from calibration.model import uncalibrated
from calibration.record import CalibrationRecord, CheckRecord, Record
from daemon.mixing.probe.corrected_salinity import Correction, correction

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from datetime import date

    from calibration.model import Calibration, Instrument
    from daemon.entries import JSON


@dataclass(slots=True)
class Calibrations:
    """The records of all probes, and what follows from them.

    Attributes:
        records: In the order in which they were written.
        drift_percent_30d: What is assumed of each probe by the configuration now, ± % in
            thirty days; what was assumed when it was calibrated, where it is not named.
    """

    records: list[Record] = field(default_factory=list)
    drift_percent_30d: Mapping[str, float] = field(default_factory=dict)
    _applied: dict[str, tuple[date, Correction | None]] = field(default_factory=dict)
    _conditions: dict[str, tuple[date, dict[str, str]]] = field(default_factory=dict)

    def add(self, record: Record) -> None:
        """Add one record.

        Raises:
            ValueError: There is one of that id, or its time cannot be read.
        """
        self.records = list(history.add(self.records, record))
        self._applied.pop(record.probe, None)
        self._conditions.pop(record.probe, None)

    def of(self, probe: str) -> list[Record]:
        """Return the records of a probe, oldest first."""
        return [record for record in self.records if record.probe == probe]

    def in_force(self, probe: str) -> CalibrationRecord | None:
        """Return the calibration in force; None where there is none yet."""
        return history.chosen(self.of(probe), self.records, probe)

    def on_hold(self, probe: str) -> CalibrationRecord | None:
        """Return the calibration that is held; None where none is."""
        return history.on_hold(self.of(probe))

    def contradicted(self, probe: str) -> bool:
        """Return whether the last record of a probe contradicts what is in force."""
        last = next(iter(reversed(self.of(probe))), None)
        if isinstance(last, CheckRecord):
            return not last.agrees
        return isinstance(last, CalibrationRecord) and last.on_hold

    def before(self, instrument: Instrument, wall: datetime) -> Calibration:
        """Return the calibration that a new point is compared with; an empty one before any.

        It has its uncertainty of now, as if nothing had contradicted it.
        """
        record = self.in_force(instrument.probe)
        if record is None:
            return uncalibrated(instrument)
        return self._aged(record, ageing.undisputed(self.of(instrument.probe)), wall)

    def _aged(
        self, record: CalibrationRecord, records: Sequence[Record], wall: datetime
    ) -> Calibration:
        """Return a calibration in force with what its uncertainty has grown by."""
        probe = record.probe
        # To the end of a day, so that what comes in on that day is not younger than what was there.
        start = self._today(probe, wall).replace(hour=0, minute=0, second=0, microsecond=0)
        until = (start + timedelta(days=1)).isoformat()
        return ageing.grown(records, record, until, self.drift_percent_30d.get(probe))

    def newest(self, probe: str) -> datetime | None:
        """Return the time of the last record of a probe; None before any."""
        return max((history.moment(each.made_at) for each in self.of(probe)), default=None)

    def correction(self, probe: str, wall: datetime) -> Correction | None:
        """Return what corrects the readings of a day; None for a probe never calibrated.

        Uncertainty grows by whole days, so that a replay gives what the live run gave.
        """
        day = wall.date()
        cached = self._applied.get(probe)
        if cached is None or cached[0] != day:
            cached = self._applied[probe] = (day, self._correction(probe, wall))
        return cached[1]

    def _correction(self, probe: str, wall: datetime) -> Correction | None:
        record = self.in_force(probe)
        if record is None:
            return None
        return correction(record, self._aged(record, self.of(probe), wall))

    def conditions(self, probe: str, wall: datetime) -> dict[str, str]:
        """Return the alarm conditions of the calibration of a probe, each as a sentence.

        A probe that was never calibrated has the uncertainty of the configuration, and no
        condition.
        """
        day = wall.date()
        cached = self._conditions.get(probe)
        if cached is None or cached[0] != day:
            cached = self._conditions[probe] = (day, self._find_conditions(probe, wall))
        return cached[1]

    def _find_conditions(self, probe: str, wall: datetime) -> dict[str, str]:
        conditions: dict[str, str] = {}
        for record in self.of(probe):
            if isinstance(record, CheckRecord):
                conditions.pop("calibration-due", None)
                if not record.agrees:
                    conditions["calibration-due"] = f"{record.id}: {' '.join(record.sentences)}"
            elif not isinstance(record, CalibrationRecord) or record.usable:
                conditions = {}
            elif record.on_hold:
                conditions["calibration-refused"] = (
                    f"{record.id} is held: {record.verdict.reasons[0]}"
                )
            else:
                conditions["calibration-refused"] = f"{record.id}: {record.verdict.reasons[0]}"
        due = self.due(probe, wall)
        if due is not None and due.overdue:
            conditions["calibration-due"] = due.sentence
        return conditions

    def due(self, probe: str, wall: datetime) -> due_dates.CalibrationDue | None:
        """Return when the next calibration and check are due; None for one never calibrated."""
        if self.in_force(probe) is None:
            return None
        return due_dates.due(self.records, probe, self._today(probe, wall).date().isoformat())

    def _today(self, probe: str, wall: datetime) -> datetime:
        """Return the beginning of a day, but never before what was written last."""
        start = wall.astimezone(UTC).replace(hour=0, minute=0, second=0, microsecond=0)
        return max(start, self.newest(probe) or start)


def name_of(reservoir: str, probe: str) -> str:
    """Return the name of a probe in its records, unlike that of any other reservoir's."""
    return f"{reservoir}/{probe}"


def record_id(records: Iterable[Record], probe: str, wall: datetime) -> str:
    """Return an id for the next record of a probe, such as mix-1-ct-1-20260302-1."""
    stem = f"{probe.replace('/', '-')}-{wall:%Y%m%d}"
    taken = {record.id for record in records}
    number = 1
    while f"{stem}-{number}" in taken:
        number += 1
    return f"{stem}-{number}"


def plain(record: Record) -> dict[str, JSON]:
    """Return a record as JSON has it.

    Raises:
        ValueError: A figure in it is not finite, which JSON cannot say.
    """
    value = _plain(asdict(record))
    return value if isinstance(value, dict) else {}


def _plain(value: object) -> JSON:
    if isinstance(value, dict):
        return {str(key): _plain(each) for key, each in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(each) for each in value]
    if isinstance(value, float) and not math.isfinite(value):
        raise ValueError("a figure of this calibration is not a number, so it cannot be kept")
    if isinstance(value, str):
        return str(value)
    return value if isinstance(value, bool | int | float) else None
