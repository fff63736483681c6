"""What the three addresses about calibrations answer; each shape is its own description.

A figure ending in `_u` is a standard uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from daemon.mixing.probe_events import (
    Adjustment,
    CalibrationJudged,
    ComparedPoint,
    PointCaptured,
)


@dataclass(frozen=True, slots=True)
class ReferenceUse:
    """A reference as one point was taken in it.

    Attributes:
        point: Number of the point.
        name: Of the reference.
        lot: As printed; empty where there is none.
        tolerance_percent: The figure after the ± on its label, % of the value; None without one.
        expiry: Date; empty where none is printed.
    """

    point: int
    name: str
    lot: str
    tolerance_percent: float | None
    expiry: str


@dataclass(frozen=True, slots=True)
class RecordAnswer:
    """One record of a probe.

    Attributes:
        id: Of the record.
        kind_: "calibration", "check", "reversion" or "settlement".
        reservoir: Of the probe.
        probe: Its name.
        made_at: When, ISO 8601.
        by: Who.
        verdict: "accepted", "warning", "held", "refused", "agrees", "disagrees", "returned",
            "taken" or "dropped".
        in_force: Whether it is the calibration in force now.
        on_hold: Whether it waits for what settles it.
        about: Id of the calibration that was checked, returned to or settled; empty for none.
        references: Of each point, in order.
        thermometer: The reference thermometer; empty for none.
        as_found: Each point under the calibration that was in force.
        as_left: Each point under the new one.
        as_left_measured: Whether that was measured again.
        adjustment: The correction; None for what adjusts nothing.
        change_percent: Of the cell constant from the one in force before; None likewise.
        due_on: Date by which the next is due; empty for what is no calibration.
        repair: What was done to the probe before; empty for nothing.
        reasons: Of the verdict, as sentences.
        overridden: Warnings in spite of which it went on.
    """

    id: str
    kind_: str = field(metadata={"name": "kind"})
    reservoir: str
    probe: str
    made_at: str
    by: str
    verdict: str
    in_force: bool
    on_hold: bool
    about: str = ""
    references: tuple[ReferenceUse, ...] = ()
    thermometer: str = ""
    as_found: tuple[ComparedPoint, ...] = ()
    as_left: tuple[ComparedPoint, ...] = ()
    as_left_measured: bool = False
    adjustment: Adjustment | None = None
    change_percent: float | None = None
    due_on: str = ""
    repair: str = ""
    reasons: tuple[str, ...] = ()
    overridden: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ProbeAnswer:
    """A probe, and how its calibration is.

    Attributes:
        reservoir: Its reservoir.
        probe: Its name.
        configured: Whether the configuration has it; one that was renamed is there by its records.
        records: How many there are of it.
        in_force: Id of the calibration in force; None before the first.
        on_hold: Id of the calibration that is held; None where none is.
        calibrate_by: Date; None before the first.
        check_by: Date; likewise.
        overdue: Whether a calibration is overdue.
        sentence: When the next is due, in words.
    """

    reservoir: str
    probe: str
    configured: bool
    records: int
    in_force: str | None
    on_hold: str | None
    calibrate_by: str | None
    check_by: str | None
    overdue: bool
    sentence: str


@dataclass(frozen=True, slots=True)
class HistoryAnswer:
    """Probes and records, the newest record first.

    Attributes:
        probes: Those of the configuration, then those that only records name.
        records: As many as were wanted.
        more: Whether there are older ones.
    """

    probes: tuple[ProbeAnswer, ...]
    records: tuple[RecordAnswer, ...]
    more: bool


@dataclass(frozen=True, slots=True)
class FactorAnswer:
    """A cell constant as one record measured it.

    Attributes:
        id: Of the record.
        kind_: "calibration" or "check".
        at: When, ISO 8601.
        factor: Relative cell constant.
        factor_u: Its standard uncertainty.
    """

    id: str
    kind_: str = field(metadata={"name": "kind"})
    at: str
    factor: float
    factor_u: float


@dataclass(frozen=True, slots=True)
class IntervalAnswer:
    """Where a cell constant is on a day.

    Attributes:
        day: Date.
        factor: Relative cell constant.
        factor_u: Its standard uncertainty.
    """

    day: str
    factor: float
    factor_u: float


@dataclass(frozen=True, slots=True)
class DriftRate:
    """How fast a cell constant drifts.

    Attributes:
        percent_30d: % in thirty days.
        u_percent_30d: Its standard uncertainty.
    """

    percent_30d: float
    u_percent_30d: float


@dataclass(frozen=True, slots=True)
class DriftAnswer:
    """How the adjustment of a cell has moved, and where it goes.

    Attributes:
        reservoir: Of the probe.
        probe: Its name.
        measured: By each record that measured it, in order of time.
        in_force: Id of the calibration in force; None before the first, and with it all below.
        factor: Its cell constant.
        low: Lower tolerance limit of the cell constant.
        high: Upper.
        prior: Assumed of the probe by the configuration.
        posterior: By that and all records.
        observations: Calibrations and checks that it rests on.
        by_prior: By the assumption alone, from the day of the calibration on.
        by_records: By all records, from today on.
        leaves_on: Date on which it is expected to leave its limits; None within ten years.
        earliest: Date on which its interval, k = 2, first touches one; likewise.
        prior_earliest: The same by the assumption alone.
        calibrate_by: Date of the next calibration.
        check_by: Date of the next check.
        sentences: All of it in words.
    """

    reservoir: str
    probe: str
    measured: tuple[FactorAnswer, ...] = ()
    in_force: str | None = None
    factor: float | None = None
    low: float | None = None
    high: float | None = None
    prior: DriftRate | None = None
    posterior: DriftRate | None = None
    observations: int = 0
    by_prior: tuple[IntervalAnswer, ...] = ()
    by_records: tuple[IntervalAnswer, ...] = ()
    leaves_on: str | None = None
    earliest: str | None = None
    prior_earliest: str | None = None
    calibrate_by: str | None = None
    check_by: str | None = None
    sentences: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class SettlingAnswer:
    """How the present point settles; values as indicated.

    Attributes:
        state: "waiting", "settling", "settled" or "silent"; the routine alone takes the point.
        words: The same as a sentence.
        waited_s: Since its first reading, s.
        limit_s: So long it may take, s.
        conductivity_mS_cm: The last value; None where it did not come.
        temperature_C: Likewise.
        reach_mS_cm: How far conductivity may still move in a minute; None while not known.
        allowed_mS_cm: How far it may at the most to count as settled; likewise.
        reach_C: How far temperature may still move in a minute; likewise.
        allowed_C: How far it may at the most.
        columns: What stands in each row.
        rows: The readings of the point, in order; a value that did not come is null.
    """

    state: str
    words: str
    waited_s: float
    limit_s: float
    conductivity_mS_cm: float | None
    temperature_C: float | None
    reach_mS_cm: float | None
    allowed_mS_cm: float | None
    reach_C: float | None
    allowed_C: float
    columns: tuple[str, ...]
    rows: tuple[tuple[float | None, ...], ...]


@dataclass(frozen=True, slots=True)
class RoutineAnswer:
    """A routine that runs, or one that is over while its probe is still out of the water.

    Attributes:
        reservoir: Of the probe.
        probe: Its name.
        id: Of the record that comes of it.
        kind_: "calibration" or "check".
        by: Who began it.
        began_at: When, ISO 8601.
        runs: Whether it still does; else only the probe is to be put back.
        step: Where it is.
        turn: Goes into an act, which is rejected once the routine has gone on.
        text: What it says last.
        way_on: How to go on.
        on_confirm: What a confirmation does about a warning; empty without one.
        point: Number of the present point.
        points: How many there are; one that is measured again as left follows them.
        reference: Of the present point.
        references: Of each point.
        thermometer: The reference thermometer; empty for none.
        as_left: The reference that is measured once more at the end; empty for none.
        repair: What was done to the probe before; empty for nothing.
        before: Id of the calibration in force; "none" before any.
        captured: Points that are taken.
        settling: Of the present point; None while none settles.
        verdict: Before anything is saved; None until all points are taken.
        saved: What was put on record; None until then.
        outcome: "saved", "aborted" or "lost" once it is over; empty before.
        remarks: What it said besides.
    """

    reservoir: str
    probe: str
    id: str
    kind_: str = field(metadata={"name": "kind"})
    by: str
    began_at: str
    runs: bool
    step: str
    turn: str
    text: str
    way_on: str
    on_confirm: str
    point: int
    points: int
    reference: str
    references: tuple[str, ...]
    thermometer: str
    as_left: str
    repair: str
    before: str
    captured: tuple[PointCaptured, ...] = ()
    settling: SettlingAnswer | None = None
    verdict: CalibrationJudged | None = None
    saved: SavedAnswer | None = None
    outcome: str = ""
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class SavedAnswer:
    """What was put on record.

    Attributes:
        id: Of the record.
        text: What became of it, as a sentence.
    """

    id: str
    text: str


@dataclass(frozen=True, slots=True)
class RoutinesAnswer:
    """Every routine whose probe is out of the water; none while all are in it.

    Attributes:
        routines: In the order of the configuration.
    """

    routines: tuple[RoutineAnswer, ...] = field(default=())
