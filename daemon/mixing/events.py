"""What happens to the water, its batch and the station: one frozen shape for each change.

Each says of which kind it is; its fields are what a person or a machine may want to know.
They become JSON once, in `daemon.journal.event_codec`: a field goes under its own name or
under the one in its metadata, one that is `optional` is left out where there is nothing to
say, and a constant of the class tells it from its neighbours.  Times are ISO 8601, UTC.  What
a probe tells of itself is in `probe_events`, what the service tells of itself in
`service_events`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, ClassVar

from daemon.entries import JSON, Body, Kind, Phase


def optional(default: Any = None) -> Any:  # noqa: ANN401 - typed by the field that it fills
    """Return a field that JSON leaves out where it has its default."""
    return field(default=default, metadata={"optional": True})


@dataclass(frozen=True, slots=True)
class Happening:
    """Something that happened, on its way to become an event.

    Attributes:
        body: What.
        batch: Id of the batch that it belongs to; None for the present one.
    """

    body: Body
    batch: str | None = None


@dataclass(frozen=True, slots=True)
class PhaseChanged:
    """A reservoir went from one phase to another.

    Attributes:
        from_: The phase before.
        to: The phase now.
        why: The reason, as a sentence.
        probability: Of being within tolerance, 0 to 1, where that was judged.
        salinity: Practical salinity that was judged, where it was released or refused.
        salinity_u: Its standard uncertainty.
        use_by: Until when released water may be used.
    """

    kind: ClassVar[Kind] = Kind.PHASE
    from_: Phase = field(metadata={"name": "from"})
    to: Phase
    why: str = optional("")
    probability: float | None = optional()
    salinity: float | None = optional()
    salinity_u: float | None = optional()
    use_by: str | None = optional()


@dataclass(frozen=True, slots=True)
class SalinityStabilised:
    """Mixing is over: salinity is steady.

    Attributes:
        salinity: Practical salinity.
        salinity_u: Its standard uncertainty; None while no reading tells what the probe is worth.
        reason: The figures that a person can check the call by.
    """

    kind: ClassVar[Kind] = Kind.STABILISED
    salinity: float
    salinity_u: float | None
    reason: Mapping[str, JSON] = field(default_factory=dict, metadata={"optional": True})


@dataclass(frozen=True, slots=True)
class WaterDisturbed:
    """Steady water changed.

    Attributes:
        cause: "salt", "water", "drift", "pump" or "calibration".
        change: Of practical salinity.
        reason: The figures that a person can check the finding by.
    """

    kind: ClassVar[Kind] = Kind.DISTURBED
    cause: str
    change: float
    reason: Mapping[str, JSON]


@dataclass(frozen=True, slots=True)
class ForecastMade:
    """When the water may be used and at which salinity, or why that cannot be said yet.

    Attributes:
        expected_ready_at: When the water is expected to be called steady, ISO 8601, and released
            unless the note says what release then needs; None where nothing is forecast.
        expected_ready_low: Early end of an interval of 80 % of that.
        expected_ready_high: Late end.
        final_salinity: Practical salinity expected then, as this probe will read; None where it
            cannot be said.
        final_u: Its standard uncertainty, to which that of the probe comes.
        final_low: Low end of an interval of 80 %.
        final_high: High end.
        forecast_note: Why there is no forecast; beside one, what release then needs.
    """

    kind: ClassVar[Kind] = Kind.FORECAST
    expected_ready_at: str | None
    expected_ready_low: str | None
    expected_ready_high: str | None
    final_salinity: float | None
    final_u: float | None
    final_low: float | None = optional()
    final_high: float | None = optional()
    forecast_note: str = optional("")


@dataclass(frozen=True, slots=True)
class SteadinessForecast:
    """The forecast that versions before this one made: when salinity comes near its final value.

    Attributes:
        final_salinity: Practical salinity expected.
        final_u: Its standard uncertainty.
        remaining: How far it still has to go.
        stable_at: When it is expected to be steady.
        stable_at_low: Beginning of the interval of that.
        stable_at_high: Its end; None where it cannot be said.
    """

    kind: ClassVar[Kind] = Kind.FORECAST
    final_salinity: float
    final_u: float
    remaining: float
    stable_at: str
    stable_at_low: str
    stable_at_high: str | None


@dataclass(frozen=True, slots=True)
class AdviceGiven:
    """What to do, in words, with its figures where it has any.

    Attributes:
        advice: A sentence.
        salt_g: Salt mix to add, g.
        water_l: Purified water to add, L.
        first_salt_g: What of it to add first, g.
        first_water_l: Likewise, L.
        fits: Whether the vessel holds what comes of it.
        unaccounted_g: Salt mix that was weighed and is not in the water, g.
        probability: Of being within tolerance.
        uS_cm: Conductivity of the purified water at 25 °C, µS/cm.
    """

    kind: ClassVar[Kind] = Kind.ADVICE
    advice: str
    salt_g: float | None = optional()
    water_l: float | None = optional()
    first_salt_g: float | None = optional()
    first_water_l: float | None = optional()
    fits: bool | None = optional()
    unaccounted_g: float | None = optional()
    probability: float | None = optional()
    uS_cm: float | None = optional()


@dataclass(frozen=True, slots=True)
class StartDue:
    """A batch is to be begun to be ready when it is due.

    Attributes:
        what: Tells it from the other advice.
        advice: A sentence.
        start_by: When salt must be in the water at the latest.
        due_at: When the batch is due.
        volume_l: How much of it, L.
    """

    kind: ClassVar[Kind] = Kind.ADVICE
    what: ClassVar[str] = "start due"
    advice: str
    start_by: str
    due_at: str
    volume_l: float


@dataclass(frozen=True, slots=True)
class AlarmChanged:
    """An alarm went from one state to another.

    Attributes:
        name: Of the alarm, as the catalogue has it.
        what: What happened to it.
        state: Its state now, one of ISA-18.2.
        standing: Whether it is shown among the alarms.
        priority: How soon a person must act.
        why: The reason, as a sentence without its full stop.
        who: Who did it, where a person did.
        until: When it ends by itself, where it does.
    """

    kind: ClassVar[Kind] = Kind.ALARM
    name: str
    what: str = optional("")
    state: str = optional("")
    standing: bool | None = optional()
    priority: str = optional("")
    why: str = ""
    who: str = optional("")
    until: str | None = optional()


@dataclass(frozen=True, slots=True)
class CommandAnswered:
    """A command was carried out or rejected.

    Attributes:
        arguments: What it was given, beside the rest in its JSON.
        id: Given by the client.
        verb: What was commanded.
        who: Who commanded it.
        via: The way in.
        ok: Whether it was carried out.
        answer: One sentence.
    """

    kind: ClassVar[Kind] = Kind.COMMAND
    arguments: Mapping[str, JSON] = field(metadata={"beside": True})
    id: str
    verb: str
    who: str
    via: str
    ok: bool
    answer: str


@dataclass(frozen=True, slots=True)
class BatchBegan:
    """A batch began.

    Attributes:
        what: Tells it from the other events of a batch.
        salinity: Practical salinity of the water it began with; None where nobody knows.
    """

    kind: ClassVar[Kind] = Kind.BATCH
    what: ClassVar[str] = "began"
    salinity: float | None


@dataclass(frozen=True, slots=True)
class BatchEnded:
    """A batch ended.

    Attributes:
        what: Tells it from the other events of a batch.
        how: "used" or "discarded".
        by: Who ended it, or what was seen.
    """

    kind: ClassVar[Kind] = Kind.BATCH
    what: ClassVar[str] = "ended"
    how: str
    by: str


@dataclass(frozen=True, slots=True)
class BatchSuspended:
    """A batch is kept, and not released, as its probe may not be in its water.

    Attributes:
        what: Tells it from the other events of a batch.
        why: What was read, as a sentence without its full stop.
        question: What a person is asked.
        answers: Those that can be given.
    """

    kind: ClassVar[Kind] = Kind.BATCH
    what: ClassVar[str] = "suspended"
    why: str
    question: str
    answers: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class BatchResumed:
    """A batch goes on: its probe is in its water.

    Attributes:
        what: Tells it from the other events of a batch.
        why: By what that is known.
    """

    kind: ClassVar[Kind] = Kind.BATCH
    what: ClassVar[str] = "resumed"
    why: str


@dataclass(frozen=True, slots=True)
class BatchReinstated:
    """A batch stands again as it did before its salinity fell and was taken for changed.

    Attributes:
        what: Tells it from the other events of a batch.
        why: What was read, as a sentence without its full stop.
        phase: What it stood as.
        salinity: Practical salinity that was called steady, and is read again.
        minutes: How long it was not read, minutes.
        stable_at: Since when the water is steady, ISO 8601.
        released_at: When it was released, where it was.
    """

    kind: ClassVar[Kind] = Kind.BATCH
    what: ClassVar[str] = "reinstated"
    why: str
    phase: Phase
    salinity: float
    minutes: float
    stable_at: str | None = optional()
    released_at: str | None = optional()


@dataclass(frozen=True, slots=True)
class SaltContentLearned:
    """A batch showed what its lot of salt mix holds.

    Attributes:
        what: Tells it from the other events of a batch.
        lot: Name of the lot.
        mix_yield: Grams of sea salt per gram of mix.
        mix_yield_u: Its standard uncertainty.
        batches: From how many batches.
    """

    kind: ClassVar[Kind] = Kind.BATCH
    what: ClassVar[str] = "yield learned"
    lot: str
    mix_yield: float
    mix_yield_u: float
    batches: int


@dataclass(frozen=True, slots=True)
class OtherEvent:
    """An event whose facts this version has no shape for, as another version wrote them.

    Attributes:
        kind: What it is about.
        facts: As they were written.
    """

    kind: Kind
    facts: Mapping[str, JSON]
