"""The one place where events become JSON, and JSON becomes events again.

The fields of a shape in `daemon.mixing` are the facts of its JSON, in their order.  What fits
no shape of this version, as another version may have written it, comes back as `OtherEvent`
with its facts untouched, so that nothing in a journal is ever lost by reading it.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import Any

from daemon.entries import JSON, Body, Kind
from daemon.journal.shapes import MisfitError, from_object, to_object
from daemon.mixing import events, probe_events, service_events
from daemon.mixing.events import OtherEvent

SHAPES: tuple[type[Any], ...] = (
    events.PhaseChanged,
    events.SalinityStabilised,
    events.WaterDisturbed,
    events.ForecastMade,
    events.SteadinessForecast,
    events.AdviceGiven,
    events.StartDue,
    events.AlarmChanged,
    events.CommandAnswered,
    events.BatchBegan,
    events.BatchEnded,
    events.BatchSuspended,
    events.BatchResumed,
    events.BatchReinstated,
    events.SaltContentLearned,
    probe_events.ProbeWorks,
    probe_events.ProbeFails,
    probe_events.ZeroOff,
    probe_events.ZeroRight,
    probe_events.HealthChanged,
    probe_events.RoutineBegan,
    probe_events.RoutineSpoke,
    probe_events.PointCaptured,
    probe_events.CalibrationJudged,
    probe_events.RecordSaved,
    probe_events.CalibrationSettled,
    probe_events.CalibrationReverted,
    probe_events.RoutineLost,
    probe_events.ProbeReturned,
    service_events.MeasuringBegan,
    service_events.MeasuringEnded,
    service_events.InputFails,
    service_events.InputWorks,
    service_events.AlarmFloodChanged,
    service_events.EntryDamaged,
    service_events.EntriesLost,
    service_events.JournalFull,
    service_events.JournalCutOff,
    service_events.JournalReplaced,
    service_events.JournalSalvaged,
    service_events.JournalRestored,
    service_events.InboxMoved,
    service_events.InboxReplaced,
)
"""Every shape of an event that this version writes, and those that one before it wrote."""


def facts_of(body: Body) -> dict[str, JSON]:
    """Return the facts of an event as JSON has them.

    Args:
        body: What happened: one of `SHAPES`, or `OtherEvent`.
    """
    return dict(body.facts) if isinstance(body, OtherEvent) else to_object(body)


def body_of(kind: Kind, facts: Mapping[str, JSON]) -> Body:
    """Return what happened, of the facts that JSON has of it.

    Args:
        kind: Of the event.
        facts: As `facts_of` gave them, in this version or in another.
    """
    for shape in shapes_of(kind):
        try:
            found: Body = from_object(shape, facts)
        except MisfitError:
            continue
        return found
    return OtherEvent(kind, facts)


@cache
def shapes_of(kind: Kind) -> tuple[type[Any], ...]:
    """Return the shapes of a kind."""
    return tuple(shape for shape in SHAPES if shape.kind is kind)
