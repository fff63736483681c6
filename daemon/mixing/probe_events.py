"""What happens to a probe: it fails and works again, its health changes, it is calibrated."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
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
    """

    kind: ClassVar[Kind] = Kind.CALIBRATION
    probe: str
    what: ClassVar[str] = "say"
    step: str
    text: str
    way_on: str = optional("")
    mistake: str = optional("")
    on_confirm: str = optional("")


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
class CalibrationJudged:
    """All points of a calibration are taken and judged.

    Attributes:
        probe: Name of the probe.
        what: Tells it from the other events of a calibration.
        outcome: "accept", "warn", "hold" or "refuse".
        reasons: As sentences.
    """

    kind: ClassVar[Kind] = Kind.CALIBRATION
    probe: str
    what: ClassVar[str] = "judged"
    outcome: str
    reasons: tuple[str, ...]


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
