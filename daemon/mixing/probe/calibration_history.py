"""Every calibration and check of the station's probes: what is in force, and what is due.

The records come out of the journal and are only ever added to.  They stand in
the order in which they were written, which decides what is in force: a clock
that is wrong for a while must not bring an old calibration back.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from calibration import ageing, due_dates, history
from calibration.model import uncalibrated
from calibration.record import CalibrationRecord, CheckRecord, Record
from daemon.mixing.probe.salinity import Correction, correction

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
    _wrong: dict[str, tuple[date, dict[str, str]]] = field(default_factory=dict)

    def add(self, record: Record) -> None:
        """Keep one more.

        Raises:
            ValueError: There is one of that id, or its time cannot be read.
        """
        self.records = list(history.add(self.records, record))
        self._applied.pop(record.probe, None)
        self._wrong.pop(record.probe, None)

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
        """Say whether the last record of a probe contradicts what is in force."""
        last = next(iter(reversed(self.of(probe))), None)
        if isinstance(last, CheckRecord):
            return not last.agrees
        return isinstance(last, CalibrationRecord) and last.on_hold

    def before(self, instrument: Instrument, wall: datetime) -> Calibration:
        """Return what a new point of an instrument is compared with; or that nothing corrects it.

        It has its uncertainty of now, as if nothing had contradicted it.
        """
        found = self.in_force(instrument.probe)
        if found is None:
            return uncalibrated(instrument)
        return self._aged(found, ageing.undisputed(self.of(instrument.probe)), wall)

    def _aged(
        self, found: CalibrationRecord, known: Sequence[Record], wall: datetime
    ) -> Calibration:
        """Return a calibration in force with what its uncertainty has grown by."""
        probe = found.probe
        # To the end of a day, so that what comes in on that day is not younger than what was there.
        start = self._today(probe, wall).replace(hour=0, minute=0, second=0, microsecond=0)
        until = (start + timedelta(days=1)).isoformat()
        return ageing.grown(known, found, until, self.drift_percent_30d.get(probe))

    def newest(self, probe: str) -> datetime | None:
        """Return the time of the last record of a probe; None before any."""
        return max((history.moment(each.made_at) for each in self.of(probe)), default=None)

    def correction(self, probe: str, wall: datetime) -> Correction | None:
        """Return what corrects the readings of a day; None for a probe never calibrated.

        Doubt grows by whole days, so that a replay sees what the live run saw.
        """
        day = wall.date()
        known = self._applied.get(probe)
        if known is None or known[0] != day:
            known = self._applied[probe] = (day, self._correction(probe, wall))
        return known[1]

    def _correction(self, probe: str, wall: datetime) -> Correction | None:
        found = self.in_force(probe)
        if found is None:
            return None
        return correction(found, self._aged(found, self.of(probe), wall))

    def wrong(self, probe: str, wall: datetime) -> dict[str, str]:
        """Return what is wrong with the calibration of a probe, by alarm, each as a sentence.

        One that was never calibrated is worth what the configuration says of it,
        and wants nothing.
        """
        day = wall.date()
        known = self._wrong.get(probe)
        if known is None or known[0] != day:
            known = self._wrong[probe] = (day, self._conditions(probe, wall))
        return known[1]

    def _conditions(self, probe: str, wall: datetime) -> dict[str, str]:
        found: dict[str, str] = {}
        for record in self.of(probe):
            if isinstance(record, CheckRecord):
                found.pop("calibration-due", None)
                if not record.agrees:
                    found["calibration-due"] = f"{record.id}: {' '.join(record.sentences)}"
            elif not isinstance(record, CalibrationRecord) or record.usable:
                found = {}
            elif record.on_hold:
                found["calibration-refused"] = f"{record.id} is held: {record.verdict.reasons[0]}"
            else:
                found["calibration-refused"] = f"{record.id}: {record.verdict.reasons[0]}"
        due = self.due(probe, wall)
        if due is not None and due.overdue:
            found["calibration-due"] = due.sentence
        return found

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
    found = _plain(asdict(record))
    return found if isinstance(found, dict) else {}


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
