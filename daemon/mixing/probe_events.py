"""What happens to a probe: it fails and works again, its health changes, it is calibrated."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import ClassVar

from daemon.entries import JSON, Kind
from daemon.mixing.events import optional


@dataclass(frozen=True, slots=True)
class ProbeWorks:
    """A probe gives values again.

    Attributes:
        probe: Its name.
        state: Tells it from the other events of a device.
    """

    kind: ClassVar[Kind] = Kind.DEVICE
    probe: str
    state: ClassVar[str] = "working"


@dataclass(frozen=True, slots=True)
class ProbeFails:
    """A probe gives no value.

    Attributes:
        probe: Its name.
        state: Tells it from the other events of a device.
        why: The fault, as a sentence.
    """

    kind: ClassVar[Kind] = Kind.DEVICE
    probe: str
    state: ClassVar[str] = "fault"
    why: str


@dataclass(frozen=True, slots=True)
class ZeroOff:
    """A probe reads less than nothing.

    Attributes:
        probe: Its name.
        state: Tells it from the other events of a device.
        why: What it reads, and what to do.
    """

    kind: ClassVar[Kind] = Kind.DEVICE
    probe: str
    state: ClassVar[str] = "zero off"
    why: str


@dataclass(frozen=True, slots=True)
class ZeroRight:
    """A probe no longer reads less than nothing.

    Attributes:
        probe: Its name.
        state: Tells it from the other events of a device.
    """

    kind: ClassVar[Kind] = Kind.DEVICE
    probe: str
    state: ClassVar[str] = "zero right again"


@dataclass(frozen=True, slots=True)
class HealthChanged:
    """The health of a probe changed.

    Attributes:
        probe: Its name.
        state: Tells it from the other events of a device.
        health: Its status signal now, of NAMUR NE 107.
        was: The one before.
        why: The reason, as a sentence.
    """

    kind: ClassVar[Kind] = Kind.DEVICE
    probe: str
    state: ClassVar[str] = "health"
    health: str
    was: str
    why: str = optional("")


@dataclass(frozen=True, slots=True)
class RoutineBegan:
    """A calibration routine began: what it is about, for whoever follows it.

    Attributes:
        probe: Name of the probe.
        what: Tells it from the other events of a calibration.
        id: Of the record that will come of it.
        adjusts: Whether it is a calibration; a check adjusts nothing.
        by: Who began it.
        references: Of each point, in order, with their lots.
        before: Id of the calibration in force; "none" before any.
        settle_limit_s: How long a point may take to become steady, s.
        resolution_mS_cm: Step between two values that the instrument can show, mS/cm.
        thermometer: The reference thermometer; empty for none.
        as_left: The reference that is measured once more at the end; empty for none.
        repair: What was done to the probe before; empty for nothing.
    """

    kind: ClassVar[Kind] = Kind.CALIBRATION
    probe: str
    what: ClassVar[str] = "began"
    id: str
    adjusts: bool
    by: str
    references: tuple[str, ...]
    before: str
    settle_limit_s: float
    resolution_mS_cm: float
    thermometer: str = optional("")
    as_left: str = optional("")
    repair: str = optional("")


@dataclass(frozen=True, slots=True)
class RoutineSpoke:
    """A calibration routine says what to do, or what is wrong.

    Attributes:
        probe: Name of the probe.
        what: Tells it from the other events of a calibration.
        step: Where the routine is.
        text: What it says.
        way_on: How to go on in spite of a mistake.
        mistake: Which mistake.
        on_confirm: What a confirmation does about it.
        turn: Tells it from all that the routine said before; an act that carries an older one
            is rejected.
        point: Number of the present point; that after the last is as left.
        reference: Of that point, with its lot.
    """

    kind: ClassVar[Kind] = Kind.CALIBRATION
    probe: str
    what: ClassVar[str] = "say"
    step: str
    text: str
    way_on: str = optional("")
    mistake: str = optional("")
    on_confirm: str = optional("")
    turn: str = optional("")
    point: int = optional(0)
    reference: str = optional("")


@dataclass(frozen=True, slots=True)
class PointCaptured:
    """A point of a calibration was taken.

    Attributes:
        probe: Name of the probe.
        what: Tells it from the other events of a calibration.
        point: Its number.
        reference: Name of the reference.
        raw_mS_cm: Conductivity as indicated, mS/cm.
        raw_C: Temperature as indicated, °C.
        error_percent: As found, %; None at the ice point.
    """

    kind: ClassVar[Kind] = Kind.CALIBRATION
    probe: str
    what: ClassVar[str] = "captured"
    point: int
    reference: str
    raw_mS_cm: float
    raw_C: float
    error_percent: float | None


@dataclass(frozen=True, slots=True)
class ComparedPoint:
    """A point beside its reference.

    Attributes:
        point: Its number.
        reference: Name of the reference.
        reference_mS_cm: Reference value at its temperature, mS/cm.
        indicated_mS_cm: Indicated value, corrected, mS/cm.
        error_mS_cm: Indicated less reference value, mS/cm.
        error_percent: The same, % of the reference value; None at the zero.
        u_mS_cm: Standard uncertainty of the error, mS/cm.
        agrees: Whether the error is within its expanded uncertainty.
    """

    point: int
    reference: str
    reference_mS_cm: float
    indicated_mS_cm: float
    error_mS_cm: float
    error_percent: float | None
    u_mS_cm: float
    agrees: bool


@dataclass(frozen=True, slots=True)
class Adjustment:
    """A correction: conductivity = factor × (indicated - zero), temperature = indicated + offset.

    Attributes:
        factor: Relative cell constant.
        factor_u: Its standard uncertainty.
        zero_mS_cm: What is indicated when nothing conducts, mS/cm.
        zero_u_mS_cm: Its standard uncertainty, mS/cm.
        offset_C: Of the temperature, °C.
        offset_u_C: Its standard uncertainty, °C.
    """

    factor: float
    factor_u: float
    zero_mS_cm: float
    zero_u_mS_cm: float
    offset_C: float
    offset_u_C: float


@dataclass(frozen=True, slots=True)
class CalibrationJudged:
    """All points of a calibration are taken and judged; nothing is saved yet.

    Attributes:
        probe: Name of the probe.
        what: Tells it from the other events of a calibration.
        outcome: "accept", "accept_with_warning", "hold" or "refuse".
        reasons: As sentences.
        as_found: Each point under the calibration that is in force.
        as_left: Each point under the proposed one.
        proposed: The proposed adjustment; None for a check.
        before: The one in force, with its uncertainty of now; None for a check.
        change_ppt: Salinity of the same water of about 33 by the proposed one less that by the
            one in force.
        salinity_u: Standard uncertainty of salinity that the proposed one alone has.
        salinity_u_before: The same of the one in force; None where there is none.
    """

    kind: ClassVar[Kind] = Kind.CALIBRATION
    probe: str
    what: ClassVar[str] = "judged"
    outcome: str
    reasons: tuple[str, ...]
    as_found: tuple[ComparedPoint, ...] = optional(())
    as_left: tuple[ComparedPoint, ...] = optional(())
    proposed: Adjustment | None = field(default=None, metadata={"optional": True})
    before: Adjustment | None = field(default=None, metadata={"optional": True})
    change_ppt: float | None = optional()
    salinity_u: float | None = optional()
    salinity_u_before: float | None = optional()


@dataclass(frozen=True, slots=True)
class RecordSaved:
    """A calibration or a check is on record.

    Attributes:
        probe: Name of the probe.
        what: Tells it from the other events of a calibration.
        record: The whole record, as `calibration.serialisation` reads it.
        id: Of the record.
        made_at: When.
        text: What became of it, as a sentence.
        agrees: Of a check: whether the probe agrees with its reference.
        outcome: Of a calibration: "accept", "warn", "hold" or "refuse".
    """

    kind: ClassVar[Kind] = Kind.CALIBRATION
    probe: str
    what: ClassVar[str] = "saved"
    record: Mapping[str, JSON]
    id: str
    made_at: str
    text: str
    agrees: bool | None = optional()
    outcome: str = optional("")


@dataclass(frozen=True, slots=True)
class CalibrationSettled:
    """A calibration that was on hold is in force, or dropped.

    Attributes:
        probe: Name of the probe.
        what: Tells it from the other events of a calibration.
        record: The whole record.
        text: What became of it, as a sentence.
    """

    kind: ClassVar[Kind] = Kind.CALIBRATION
    probe: str
    what: ClassVar[str] = "settled"
    record: Mapping[str, JSON]
    text: str


@dataclass(frozen=True, slots=True)
class CalibrationReverted:
    """An older calibration is in force again.

    Attributes:
        probe: Name of the probe.
        what: Tells it from the other events of a calibration.
        record: The whole record.
    """

    kind: ClassVar[Kind] = Kind.CALIBRATION
    probe: str
    what: ClassVar[str] = "reverted"
    record: Mapping[str, JSON]


@dataclass(frozen=True, slots=True)
class RoutineLost:
    """A calibration routine ended with the process that ran it.

    Attributes:
        probe: Name of the probe.
        what: Tells it from the other events of a calibration.
        text: What that means, as a sentence.
    """

    kind: ClassVar[Kind] = Kind.CALIBRATION
    probe: str
    what: ClassVar[str] = "lost"
    text: str


@dataclass(frozen=True, slots=True)
class ProbeReturned:
    """A probe is back in the water, and its readings count.

    Attributes:
        probe: Name of the probe.
        what: Tells it from the other events of a calibration.
        text: Who says so, as a sentence.
    """

    kind: ClassVar[Kind] = Kind.CALIBRATION
    probe: str
    what: ClassVar[str] = "returned"
    text: str
