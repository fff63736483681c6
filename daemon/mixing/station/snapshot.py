"""The present state of one reservoir, and of the station itself, as the outside has it.

Apart from what makes them, so that who only reads them need not load the equations of seawater.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from daemon.entries import Flag, Phase
from daemon.mixing.events import optional


@dataclass(frozen=True, slots=True)
class AlarmSnapshot:
    """An alarm that is not normal.

    Attributes:
        state: Its state, one of ISA-18.2.
        priority: How soon a person must act.
        since: Since when it is in that state, ISO 8601.
        active: Whether its condition holds now.
        why: The reason, as a sentence without its full stop.
        raised_at: When it was last raised, ISO 8601.
        until: When its state ends without an act, ISO 8601.
        reason: Why it is shelved, suppressed or out of service.
        who: Who last acted on it.
        repeating: Whether it is raised again and again.
    """

    state: str = ""
    priority: str = ""
    since: str = ""
    active: bool = False
    why: str = ""
    raised_at: str | None = optional()
    until: str | None = optional()
    reason: str = optional("")
    who: str = optional("")
    repeating: bool = optional(default=False)


@dataclass(frozen=True, slots=True)
class QuestionSnapshot:
    """A question that waits for a person.

    Attributes:
        text: The question, as a sentence.
        why: What gave rise to it.
        since: Since when it waits, ISO 8601.
        answers: Those that the command `batch.answer` takes.
        answered_by: Who said that the probe is out of the water; then nothing is asked any more.
    """

    text: str
    why: str
    since: str
    answers: tuple[str, ...]
    answered_by: str = optional("")


@dataclass(frozen=True, slots=True)
class ProbeSnapshot:
    """One of several probes of a reservoir.

    Attributes:
        part: What part it has in the salinity of the water, in words.
        salinity: Practical salinity by this probe; None where it gives none.
        salinity_u: Its standard uncertainty.
    """

    part: str
    salinity: float | None = None
    salinity_u: float | None = None


@dataclass(frozen=True, slots=True)
class ReservoirSnapshot:
    """The whole present state of one reservoir.

    Attributes:
        time: Of the snapshot, ISO 8601.
        phase: Of the reservoir.
        batch: Id of its batch; None when none is known.
        age_h: Hours since its water was first released, in any phase; None before.
        stable_at: Since when the water is steady, ISO 8601; None before it is.
        advice: What to do, as a sentence.
        advice_salt_g: Salt mix that it says to add, g.
        advice_water_l: Purified water that it says to add, L.
        alarms: Names of the alarms that are raised and shown.
        alarm_details: Every alarm that is not normal, by name.
        probe_health: Status signal (NAMUR NE 107) of the probe that decides.
        probes_health: That of every probe, by name.
        start_by: When the next batch that is due must be begun, ISO 8601.
        due: What is due, in words.
        due_volume_l: How much of it, L.
        salinity: Practical salinity of the last reading, of all probes that count; None while it
            cannot be had.
        salinity_u: Its standard uncertainty.
        specific_gravity: At 25/25 °C.
        conductivity_mS_cm: As indicated.
        temperature_C: Of the water.
        flag: QARTOD flag of the reading.
        quality_figures: Its tests that are suspect or failed, by name, each with its figure.
        probe: The probe that gave it, and at whose pace the water is followed.
        use_by: When its water is to be used by, ISO 8601; None before its first release.
        volume_left_l: Water of the batch that is left, as filled or recorded less what was used,
            L; None without salt in it, and while nobody knows whether it is still there.
        chance_over: Chance that mixing is over, 0 to 1, while that is being decided on fresh
            readings; None where nothing is decided or nothing is known.
        held_back_by: What holds that decision back, at most two phrases, the heaviest first.
        expected_ready_at: When the water is expected to be steady, ISO 8601, and released unless
            `forecast_note` says what release then needs; None where nothing is forecast.
        expected_ready_low: Early end of an interval of 80 % of that.
        expected_ready_high: Late end.
        final_salinity: Practical salinity expected then, as this probe will read.
        final_u: Its standard uncertainty, to which that of the probe comes.
        final_low: Low end of an interval of 80 % of it.
        final_high: High end.
        forecast_note: Why there is no forecast; beside one, what release then needs.
        question: What a person is asked about a suspended batch; None for one that is not.
        probes: What each probe reads and what part it has, by name; empty where there is one.
    """

    time: str
    phase: Phase
    batch: str | None = None
    age_h: float | None = None
    stable_at: str | None = None
    advice: str | None = None
    advice_salt_g: float | None = None
    advice_water_l: float | None = None
    alarms: tuple[str, ...] = ()
    alarm_details: Mapping[str, AlarmSnapshot] = field(default_factory=dict)
    probe_health: str | None = None
    probes_health: Mapping[str, str] = field(default_factory=dict)
    start_by: str | None = optional()
    due: str | None = field(default=None, metadata={"optional": True, "name": "wanted"})
    due_volume_l: float | None = field(
        default=None, metadata={"optional": True, "name": "wanted_volume_l"}
    )
    salinity: float | None = None
    salinity_u: float | None = None
    specific_gravity: float | None = None
    conductivity_mS_cm: float | None = None
    temperature_C: float | None = None
    flag: int = int(Flag.MISSING)
    quality_figures: Mapping[str, str] = field(default_factory=dict, metadata={"optional": True})
    probe: str | None = None
    use_by: str | None = optional()
    volume_left_l: float | None = optional()
    chance_over: float | None = optional()
    held_back_by: tuple[str, ...] = optional(())
    expected_ready_at: str | None = optional()
    expected_ready_low: str | None = optional()
    expected_ready_high: str | None = optional()
    final_salinity: float | None = optional()
    final_u: float | None = optional()
    final_low: float | None = optional()
    final_high: float | None = optional()
    forecast_note: str = optional("")
    question: QuestionSnapshot | None = field(default=None, metadata={"optional": True})
    probes: Mapping[str, ProbeSnapshot] = field(default_factory=dict, metadata={"optional": True})


@dataclass(frozen=True, slots=True)
class StationSnapshot:
    """The present state of the station itself.

    Attributes:
        time: Of the snapshot, ISO 8601.
        alarms: Names of the alarms that are raised and shown.
        alarm_details: Every alarm that is not normal, by name.
        alarm_flood: Whether alarms come too fast to be read.
    """

    time: str
    alarms: tuple[str, ...] = ()
    alarm_details: Mapping[str, AlarmSnapshot] = field(default_factory=dict)
    alarm_flood: bool = False
