"""What the journal holds of calibrations, read once and then followed.

The events of calibrations are few among all; to look for them takes a look at every event, so
only what is new is looked at.  A journal that was replaced is read from its beginning.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from threading import Lock
from typing import TYPE_CHECKING

from calibration.settling import Settling
from daemon.journal.calibration_records import indication_of, record_of
from daemon.page.calibrations.routine_course import RoutineCourse, RoutineCourses

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from calibration.record import Record
    from daemon.entries import Event
    from daemon.journal.reader import Reader

MOST_READINGS = 3600
"""Readings of a point that are taken at a time; an hour at one a second."""


@dataclass(frozen=True, slots=True)
class CourseNow:
    """A routine as it is now.

    Attributes:
        course: Where it is; a copy that nobody changes.
        settling: Of the present point; None while none settles.
        last_reading_at: Of that point, UTC; None before any.
    """

    course: RoutineCourse
    settling: Settling | None = None
    last_reading_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class CalibrationsNow:
    """What the journal holds of calibrations now.

    Attributes:
        records: Of all probes, in the order in which they were written.
        routines: Of the probes that are out of the water, by reservoir and name.
    """

    records: Sequence[Record]
    routines: Mapping[tuple[str, str], CourseNow]


@dataclass(slots=True)
class _Followed:
    """The readings of a point that settles."""

    since_seq: int
    settling: Settling
    seq: int
    last_at: datetime | None = None


@dataclass(slots=True)
class CalibrationLog:
    """Follows the calibrations of a journal; safe to be called by several threads."""

    _lock: Lock = field(default_factory=Lock, init=False)
    _journal: str = field(default="", init=False)
    _seq: int = field(default=0, init=False)
    _records: list[Record] = field(default_factory=list, init=False)
    _courses: RoutineCourses = field(default_factory=RoutineCourses, init=False)
    _followed: dict[tuple[str, str], _Followed] = field(default_factory=dict, init=False)

    def read(self, reader: Reader) -> CalibrationsNow:
        """Return what there is now.

        Raises:
            JournalError: There is no journal, or it or a record in it cannot be read.
        """
        with self._lock:
            identity = reader.identity()
            if identity != self._journal:
                self._forget(identity)
            for seq, event in reader.calibrations(self._seq):
                self._take(seq, event)
            for key, course in self._courses.by_probe.items():
                self._follow(reader, key, course)
            for key in [*self._followed]:
                course_now = self._courses.by_probe.get(key)
                if course_now is None or not course_now.settle_seq:
                    del self._followed[key]
            return CalibrationsNow(
                (*self._records,),
                {key: self._now(key, course) for key, course in self._courses.by_probe.items()},
            )

    def _forget(self, identity: str) -> None:
        self._journal, self._seq = identity, 0
        self._records, self._courses, self._followed = [], RoutineCourses(), {}

    def _take(self, seq: int, event: Event) -> None:
        record = record_of(seq, event)
        if record is not None:
            self._records.append(record)
        self._courses.take(seq, event)
        # Only now: an event that cannot be read is looked at again, and says so again.
        self._seq = seq

    def _follow(self, reader: Reader, key: tuple[str, str], course: RoutineCourse) -> None:
        if not course.settle_seq:
            return
        followed = self._followed.get(key)
        if followed is None or followed.since_seq != course.settle_seq:
            settling = Settling(course.began.resolution_mS_cm)
            followed = _Followed(course.settle_seq, settling, course.settle_seq)
            self._followed[key] = followed
        for seq, reading in reader.probe_readings(*key, followed.seq, MOST_READINGS):
            followed.settling.take(indication_of(reading))
            followed.seq, followed.last_at = seq, reading.at.wall

    def _now(self, key: tuple[str, str], course: RoutineCourse) -> CourseNow:
        copy = replace(course, captured={**course.captured}, remarks=[*course.remarks])
        followed = self._followed.get(key)
        if followed is None:
            return CourseNow(copy)
        settling = replace(followed.settling, points=[*followed.settling.points])
        return CourseNow(copy, settling, followed.last_at)
