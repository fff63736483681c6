"""Every alarm that there is, one row each: guides, discovery and pages follow this table.

An alarm needs action by a person.  What does not is an event.

Sources: ANSI/ISA-18.2-2016 and IEC 62682:2014 for what a row must say and for
priority by consequence and time to respond; delays begin from the guidance of
EEMUA 191 (from memory: 60 s for a temperature, a deadband of 1 % of range) and
are longer where the water is slow.  The values are our choice.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from daemon.mixing.cautions import INDEPENDENT_CHECK, UNPLUG_FIRST


class Priority(StrEnum):
    """How urgent an alarm is."""

    HIGH = "high"
    MEDIUM = "medium"
    LOW = "low"


class Harm(StrEnum):
    """How bad the consequence of inaction is."""

    SEVERE = "severe"
    """Animals meet wrong water, or the record is lost."""
    MAJOR = "major"
    """A batch is lost or late, or the water is not monitored."""
    MINOR = "minor"
    """Work is made harder."""


class Scope(StrEnum):
    """What an alarm is about."""

    RESERVOIR = "reservoir"
    STATION = "station"


QUICK_H = 0.5
SHIFT_H = 8.0

IDLE, DISSOLVING, CALIBRATING = "idle", "dissolving", "calibrating"
"""Circumstances that may suppress an alarm by design: no batch is known, salt goes into
solution, the probe that decides is out of the water."""


def priority_of(harm: Harm, respond_within_h: float) -> Priority:
    """Return the priority that consequence and time to respond give.

    Severe harm within half an hour is high.  Severe harm within a shift (8 h),
    and major harm within a shift, are medium.  Everything else is low.
    """
    if harm is Harm.SEVERE and respond_within_h <= QUICK_H:
        return Priority.HIGH
    if harm is not Harm.MINOR and respond_within_h <= SHIFT_H:
        return Priority.MEDIUM
    return Priority.LOW


@dataclass(frozen=True, slots=True)
class AlarmKind:
    """One row of the catalogue.

    Attributes:
        name: As it appears in topics.
        means: What is wrong.
        causes: The likeliest first.
        do: What to do about it.
        consequence: Of inaction.
        harm: How bad that is.
        respond_within_h: How soon a person must act to avoid it, h.
        on_delay_s: How long the condition must last to raise it, s.
        off_delay_s: How long it must be absent to clear it, s.
        deadband: How far back the value must go for the condition to be absent; None without one.
        deadband_unit: Of `deadband`.
        suppressed_while: Circumstances in which it is suppressed by design.
        yields_to: Alarms that are its cause: while one is active, it is suppressed by design.
        scope: What it is about.
        ranked: A priority that the owner chose; None for the one that the rule gives.
    """

    name: str
    means: str
    causes: tuple[str, ...]
    do: str
    consequence: str
    harm: Harm
    respond_within_h: float
    on_delay_s: float = 0.0
    off_delay_s: float = 0.0
    deadband: float | None = None
    deadband_unit: str = ""
    suppressed_while: tuple[str, ...] = ()
    yields_to: tuple[str, ...] = ()
    scope: Scope = Scope.RESERVOIR
    ranked: Priority | None = None

    @property
    def priority(self) -> Priority:
        """How urgent it is."""
        return self.ranked or priority_of(self.harm, self.respond_within_h)


CATALOGUE: dict[str, AlarmKind] = {
    kind.name: kind
    for kind in (
        AlarmKind(
            "reading-overdue",
            "no usable reading for five minutes",
            ("a loose cable or no supply", "a fouled or dry probe", "the driver hangs"),
            f"{UNPLUG_FIRST}, then look at the probe, its cable and its supply",
            "the water is not monitored, and no batch is judged",
            Harm.MAJOR,
            QUICK_H,
            on_delay_s=300.0,
            off_delay_s=30.0,
            yields_to=("probe-fault",),
        ),
        AlarmKind(
            "probe-fault",
            "the probe gives no value, or one that cannot be true",
            ("pulled cable", "probe above the water", "wrong units or reply", "broken cell"),
            f"{UNPLUG_FIRST}, then check that the probe is wet, connected and of the configured"
            " kind",
            "the water is not monitored, and no batch is judged",
            Harm.MAJOR,
            QUICK_H,
            on_delay_s=60.0,
            off_delay_s=30.0,
        ),
        AlarmKind(
            "batch-suspended",
            "the probe may not be in the water of the batch, so that nothing is released or ended",
            ("probe lifted or in a beaker", "vessel drained or refilled", "water added on top"),
            f"look where the probe is ({UNPLUG_FIRST}), and answer: brinewright batch answer"
            " probe-out, same-water or refilled",
            "the water is not monitored, and no batch is released",
            Harm.MAJOR,
            QUICK_H,
            suppressed_while=(IDLE, CALIBRATING),
        ),
        AlarmKind(
            "probe-disagrees",
            "two probes in the same water differ by more than both can be off",
            ("one is fouled", "one needs calibration", "one hangs in a dead corner"),
            "release nothing; check both in a reference solution (brinewright calibrate check);"
            f" to take them out, {UNPLUG_FIRST}",
            "wrong water may be released",
            Harm.SEVERE,
            SHIFT_H,
            on_delay_s=300.0,
            off_delay_s=300.0,
            deadband=0.1,
            deadband_unit="ppt",
            suppressed_while=(DISSOLVING, CALIBRATING),
        ),
        AlarmKind(
            "blank-impure",
            "the purified water conducts more than it may before any salt is in it",
            ("spent purifier", "old water left in the vessel", "the probe's zero is off"),
            "add no salt; check the purifier, the vessel for old water, and the probe's zero;"
            f" to take the probe out, {UNPLUG_FIRST}",
            "salt is spent on water that should not be used",
            Harm.MAJOR,
            QUICK_H,
            on_delay_s=60.0,
            off_delay_s=60.0,
            suppressed_while=(IDLE, CALIBRATING),
        ),
        AlarmKind(
            "mixing-overdue",
            "salinity has not settled in the time that it should take",
            ("pump stopped or weak", "salt on the bottom", "salt entered and never poured"),
            f"{UNPLUG_FIRST}, then check the pump, and the bottom for salt that has not dissolved",
            "the batch is late",
            Harm.MINOR,
            SHIFT_H,
            suppressed_while=(IDLE, CALIBRATING),
            yields_to=("probe-fault", "salinity-drifting"),
        ),
        AlarmKind(
            "salt-unaccounted",
            "the water holds less salt than was weighed",
            ("salt on the bottom", "wrong weight or volume entered", "damp or weak mix"),
            f"{UNPLUG_FIRST}, then look for salt on the bottom; check the weight and the volume",
            "salt that dissolves later makes the batch too salty",
            Harm.MAJOR,
            24.0,
            suppressed_while=(IDLE, CALIBRATING),
        ),
        AlarmKind(
            "batch-off-target",
            "salinity is steady and outside the limits",
            ("wrong weight or volume", "a mix of another yield", "a probe that is off"),
            "correct the batch as advised, or discard it",
            "there is no water when it is due",
            Harm.MAJOR,
            SHIFT_H,
            suppressed_while=(IDLE, CALIBRATING),
        ),
        AlarmKind(
            "batch-undecided",
            "the batch is neither released nor refused, or a second reading contradicts it",
            ("too near to a limit", "a probe that is too uncertain", "something is waited for"),
            "do what the reason names: mostly clean and check the probe, take a second reading, or"
            f" move the water away from the limit; to take the probe out, {UNPLUG_FIRST}",
            "there is no water when it is due",
            Harm.MAJOR,
            SHIFT_H,
            suppressed_while=(IDLE, CALIBRATING),
            yields_to=("probe-fault", "batch-suspended"),
        ),
        AlarmKind(
            "batch-ageing",
            "the batch will soon be older than it may be used",
            ("more was mixed than was needed", "the use was not entered"),
            f"use it, or plan the next one; {INDEPENDENT_CHECK}",
            "the batch goes stale",
            Harm.MINOR,
            SHIFT_H,
        ),
        AlarmKind(
            "batch-stale",
            "the batch is older than it may be used",
            ("nobody used it in time", "the use was not entered"),
            "mix and verify it again, or discard it",
            "there is no water when it is due, or old water is used",
            Harm.MAJOR,
            24.0,
        ),
        AlarmKind(
            "salinity-drifting",
            "released water is no longer what it was released as",
            ("evaporation with the lid off", "a leak or a slow top-up", "a probe that fouls"),
            "use none of it; close the lid, look for a leak, and have it verified again",
            "animals meet water outside the limits",
            Harm.SEVERE,
            QUICK_H,
            on_delay_s=300.0,
            off_delay_s=300.0,
            deadband=0.1,
            deadband_unit="ppt",
            suppressed_while=(IDLE, CALIBRATING),
        ),
        AlarmKind(
            "temperature-out-of-band",
            "salt water that waits to be used is too cold or too warm",
            ("heater off or stuck", "chiller off", "a draught or the sun on the vessel"),
            f"do not use the water before it is back in the band; {UNPLUG_FIRST}, then check heater"
            " or chiller",
            "animals meet water that is too cold or too warm",
            Harm.SEVERE,
            SHIFT_H,
            on_delay_s=300.0,
            off_delay_s=60.0,
            deadband=0.3,
            deadband_unit="°C",
            suppressed_while=(IDLE, CALIBRATING),
        ),
        AlarmKind(
            "start-missed",
            "no batch was begun in time for the next one due",
            ("forgotten", "the last batch was used early"),
            "begin one now; it will be late",
            "there is no water when it is due",
            Harm.MAJOR,
            QUICK_H,
        ),
        AlarmKind(
            "calibration-due",
            "a probe's calibration is older than it may be, or a check of it did not agree",
            ("its days are over", "the cell is fouled or worn"),
            f"calibrate the probe; to take it out, {UNPLUG_FIRST}",
            "salinity grows doubtful, and fewer batches can be released",
            Harm.MAJOR,
            72.0,
            suppressed_while=(CALIBRATING,),
        ),
        AlarmKind(
            "calibration-refused",
            "the last calibration of a probe was refused or is held, and an older one is in force",
            ("a fouled or worn cell", "a solution that is old or not what its label says"),
            "clean and calibrate the probe again; where it is held, check it in another lot or name"
            f" the repair ('brinewright calibrate settle'); to take it out, {UNPLUG_FIRST}",
            "salinity is worth what an old calibration is worth",
            Harm.MAJOR,
            24.0,
            suppressed_while=(CALIBRATING,),
        ),
        AlarmKind(
            "probe-out-for-calibration",
            "a probe was taken out for calibration and not put back",
            ("the routine was left half done", "put back and not confirmed"),
            f"go on with the calibration, or put the probe back and confirm it; {UNPLUG_FIRST}",
            "the water is not monitored, and no batch is judged",
            Harm.MAJOR,
            SHIFT_H,
        ),
        AlarmKind(
            "salt-low",
            "less salt mix is left than the next batch needs",
            ("it was used up", "a new lot was not entered"),
            "open or buy another lot",
            "the next batch cannot be mixed",
            Harm.MINOR,
            24.0,
        ),
        AlarmKind(
            "publishing-delayed",
            "what happens here reaches a broker, a database or people late, or not at all",
            ("broker or server down", "network down", "an account or password that changed"),
            "look at the named service and at the network; nothing is lost meanwhile",
            "whoever looks from elsewhere sees what was, and is not called",
            Harm.MAJOR,
            SHIFT_H,
            off_delay_s=60.0,
            scope=Scope.STATION,
        ),
        AlarmKind(
            "clock-unsynchronised",
            "nothing has set this computer's clock",
            ("no network", "no time server answers", "a wrong firewall rule"),
            "check the network and 'timedatectl'; durations stay right, dates may not be",
            "records carry wrong dates, and due times are missed",
            Harm.MINOR,
            24.0,
            on_delay_s=600.0,
            off_delay_s=60.0,
            scope=Scope.STATION,
        ),
        AlarmKind(
            "storage-low",
            "the card is nearly full, or entries could not be written",
            ("other files on the card", "a record of many months", "a worn card"),
            "free space or replace the card; copy the journal first",
            "the record is lost",
            Harm.SEVERE,
            SHIFT_H,
            off_delay_s=60.0,
            scope=Scope.STATION,
        ),
        AlarmKind(
            "measuring-restarted",
            "measuring ended unexpectedly, or was started again and again",
            ("power cut", "a weak supply", "memory ran out", "a fault of the program"),
            "check the supply, and the log before the restart: journalctl -u brinewright-measure",
            "what happened meanwhile was not recorded, and it may happen again",
            Harm.MINOR,
            24.0,
            scope=Scope.STATION,
        ),
    )
}
