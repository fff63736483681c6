"""The plan, the acts and the outputs of the routine."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from calibration.acceptance import DEFAULT_LIMITS, REPAIRS, CalibrationVerdict, Limits
from calibration.as_found import PointError
from calibration.comparison import Effect
from calibration.fit import Fit
from calibration.gum import Row
from calibration.instructions import RoutineStep
from calibration.mistakes import Finding
from calibration.model import Calibration, Instrument
from calibration.points import Capture, Thermometer
from calibration.record import CalibrationRecord, CheckRecord
from calibration.references import Reference
from calibration.solution import check_date
from calibration.steadiness import Rest


class ActKind(StrEnum):
    """The kinds of acts."""

    START = "start"
    CONFIRM = "confirm"
    NEXT = "next"
    RETRY = "retry"
    ABORT = "abort"


@dataclass(frozen=True, slots=True)
class Act:
    """One act of the person at the bench.

    Attributes:
        kind: What the person does.
        at: ISO 8601, UTC.
        by: Who.
        value: Reading of the reference thermometer, °C, at the step that needs it.
    """

    kind: ActKind
    at: str = ""
    by: str = ""
    value: float | None = None


@dataclass(frozen=True, slots=True)
class Plan:
    """The task of a routine.

    Attributes:
        id: Of the record that will come of it.
        instrument: The probe and its properties.
        references: One for each point, in order; the zero first keeps the cell clean.
        before: The calibration in force, or `uncalibrated(instrument)`.
        today: ISO 8601 date, for expiry and the next due date.
        adjust: False to check without adjusting.
        thermometer: Where one is read at each solution.
        as_left: A reference to measure once more under the new calibration.
        due_days: Until the next is due.
        settle_limit_s: How long a point may take to become steady.
        limits: For the verdict.
        rows: The uncertainty budget of `before`; none while it was never calibrated.
        on_hold: The calibration that is held, where one is.
        repair: What was done to the probe before, one of `acceptance.REPAIRS`; empty for nothing.
    """

    id: str
    instrument: Instrument
    references: tuple[Reference, ...]
    before: Calibration
    today: str
    adjust: bool = True
    thermometer: Thermometer | None = None
    as_left: Reference | None = None
    due_days: int = 30
    settle_limit_s: float = 600.0
    limits: Limits = DEFAULT_LIMITS
    rows: tuple[Row, ...] = ()
    on_hold: CalibrationRecord | None = None
    repair: str = ""

    def __post_init__(self) -> None:
        """Refuse a plan without a point, without a day, or after another probe."""
        if not self.references:
            raise ValueError("a calibration needs at least one reference")
        check_date(self.today, f"plan {self.id}")
        if self.repair and self.repair not in REPAIRS:
            raise ValueError(f"repair {self.repair!r} is none of {', '.join(REPAIRS)}")
        if self.before.probe != self.instrument.probe:
            raise ValueError(
                f"calibration {self.before.id} is of probe {self.before.probe} and not of"
                f" {self.instrument.probe}"
            )


@dataclass(frozen=True, slots=True)
class Message:
    """A text for the person: what to do, or what is wrong."""

    step: RoutineStep
    text: str
    way_on: str = ""
    finding: Finding | None = None


@dataclass(frozen=True, slots=True)
class SettlingProgress:
    """The state while a point settles; values as indicated."""

    waited_s: float
    conductivity_mS_cm: float
    temperature_C: float
    rest: Rest | None


@dataclass(frozen=True, slots=True)
class Captured:
    """A point was taken; `error` is None at the ice point."""

    capture: Capture
    error: PointError | None


@dataclass(frozen=True, slots=True)
class Judged:
    """All points are taken; `fit` and `effect` are None for a check."""

    verdict: CalibrationVerdict
    fit: Fit | None
    as_found: tuple[PointError, ...]
    as_left: tuple[PointError, ...]
    effect: Effect | None = None


@dataclass(frozen=True, slots=True)
class Saved:
    """The record to store, whole or not at all; the routine is over."""

    record: CalibrationRecord | CheckRecord


RoutineOutput = Message | SettlingProgress | Captured | Judged | Saved
