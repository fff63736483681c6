"""An event as text for a person: when, of which kind, and what happened."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from datetime import tzinfo
from typing import TYPE_CHECKING

from daemon.entries import JSON, Kind, Phase
from daemon.local_time import CLOCK, SECOND, local, local_iso
from daemon.mixing import probe_events, service_events
from daemon.mixing.alarm.alarm_state import LifecycleState
from daemon.mixing.cautions import INDEPENDENT_CHECK
from daemon.mixing.events import (
    AdviceGiven,
    AlarmChanged,
    BatchBegan,
    BatchEnded,
    BatchReinstated,
    BatchResumed,
    BatchSuspended,
    CommandAnswered,
    ForecastMade,
    OtherEvent,
    PhaseChanged,
    SalinityStabilised,
    SaltContentLearned,
    StartDue,
    SteadinessForecast,
    WaterDisturbed,
)
from daemon.mixing.probe.status_signal import Health
from daemon.mixing.station.snapshot import ReservoirSnapshot, StationSnapshot
from daemon.mixing.station.steady import expected
from daemon.printable import printable

if TYPE_CHECKING:
    from daemon.entries import Body, Event

OUTCOMES = {
    "accept": "accepted",
    "accept_with_warning": "accepted with a warning",
    "hold": "on hold",
    "refuse": "rejected",
}
"""Outcomes of a calibration in words."""
WIDTH = 80
"""Columns of a usual terminal."""
KIND_COLUMNS = max(map(len, Kind))
"""Columns of the longest kind, so that what happened begins in one column for all."""


def listing(
    event: Event, zone: tzinfo, shape: str = SECOND, width: int = WIDTH, where: str = ""
) -> str:
    """Return the event for a person: when, about what, and what happened.

    A note of several lines keeps them, indented like what is too long for one: only an event
    begins at the left edge.

    Args:
        event: The event.
        zone: Of the station; the time is written in it.
        shape: Of the time, as strftime takes it.
        width: Columns of the screen; what is longer goes on below, indented.
        where: Added at the end; empty where there is nothing to add.
    """
    head = f"{local(event.at.wall, zone, shape)}  {event.kind:<{KIND_COLUMNS}}  "
    what = sentence_of(event, zone)
    if _releases(event.body):
        what = f"{what.rstrip(': ')}; {INDEPENDENT_CHECK}"
    room = width - 1 - len(head)
    parts = [printable(part) for part in (what + where).replace("\r\n", "\n").split("\n")]
    lines = [line for part in parts for line in textwrap.wrap(part, room, break_on_hyphens=False)]
    return (head + f"\n{' ' * len(head)}".join(lines)).rstrip()


def sentence_of(event: Event, zone: tzinfo) -> str:
    """Return what happened, without when and where; times in it are of the zone."""
    body = event.body
    match body:
        case AlarmChanged():
            return _alarm(body, zone)
        case CommandAnswered():
            return _command(body)
        case ForecastMade() | SteadinessForecast():
            return _forecast(body, zone)
        case StartDue():
            return f"{body.advice}; salt must be in by {local_iso(body.start_by, zone)}"
        case OtherEvent(facts=facts):
            return _plain(facts)
    return _of_water(body) or _of_calibration(body) or _of_probe(body) or _of_service(body, zone)


def alarm_names(snapshot: ReservoirSnapshot | StationSnapshot) -> str:
    """Return the names of the alarms that are announced in a snapshot, or "none".

    Those that have returned to normal unacknowledged are counted behind them.
    """
    named = ", ".join(snapshot.alarms) or "none"
    returned = LifecycleState.RETURNED_UNACKNOWLEDGED
    gone = sum(each.state == returned for each in snapshot.alarm_details.values())
    return f"{named} ({gone} returned unacknowledged)" if gone else named


def _releases(body: Body) -> bool:
    """Say whether the water is released by it, whichever version wrote that."""
    match body:
        case PhaseChanged(to=Phase.READY) | OtherEvent(Kind.PHASE, {"to": Phase.READY}):
            return True
    return False


def _of_water(body: Body) -> str:
    """Return what happened to the water or its batch; empty for anything else."""
    text = ""
    match body:
        case PhaseChanged():
            text = f"{body.to.replace('_', ' ')}: {body.why}"
        case SalinityStabilised():
            text = _stabilised(body)
        case WaterDisturbed():
            text = f"by {body.cause}: {body.change:+.2f} ppt"
        case AdviceGiven():
            text = body.advice
        case BatchBegan(salinity=None):
            text = "began with water of unknown salinity"
        case BatchBegan(salinity=salinity):
            text = f"began with water at {salinity:.2f} ppt"
        case SaltContentLearned():
            spread = _spread(body.mix_yield_u, 3)
            text = f"lot {body.lot}: salt content {body.mix_yield:.3f}{spread}"
    return text or _of_batch(body)


def _of_batch(body: Body) -> str:
    """Return how a batch ended, was suspended or resumed; empty for anything else."""
    match body:
        case BatchEnded():
            return f"ended: {body.how} ({body.by})"
        case BatchSuspended():
            return f"suspended: {body.why}; {body.question}"
        case BatchResumed():
            return f"resumed: {body.why}"
        case BatchReinstated():
            return f"reinstated as {body.phase.replace('_', ' ')}: {body.why}"
    return ""


def _stabilised(body: SalinityStabilised) -> str:
    level = f"at {body.salinity:.2f}{_spread(body.salinity_u, 2, ' ppt')}"
    confidence = body.reason.get("confidence")
    if not isinstance(confidence, float):
        return level
    return f"{level}, mixed with {100 * confidence:.1f} % confidence"


def _forecast(body: ForecastMade | SteadinessForecast, zone: tzinfo) -> str:
    if isinstance(body, SteadinessForecast):
        return _steadiness(body, zone)
    what, rest = expected(body, lambda moment: local_iso(moment, zone, CLOCK))
    return f"{what} {rest}" if body.expected_ready_at else rest or "nothing is forecast"


def _steadiness(body: SteadinessForecast, zone: tzinfo) -> str:
    """Return the forecast of a version before this one."""
    until = local_iso(body.stable_at_high, zone, CLOCK) if body.stable_at_high else "later"
    return (
        f"expected steady {local_iso(body.stable_at, zone, CLOCK)}"
        f" ({local_iso(body.stable_at_low, zone, CLOCK)} to {until}),"
        f" {body.final_salinity:.2f} ppt"
    )


def _alarm(body: AlarmChanged, zone: tzinfo) -> str:
    by = f" by {body.who}" if body.who else ""
    until = f" until {local_iso(body.until, zone)}" if body.until else ""
    change = (body.what or body.state).replace("-", " ")
    return f"{body.name} {change}{by}{until}{_because(body.why)}"


def _command(body: CommandAnswered) -> str:
    rejected = "" if body.ok else "rejected: "
    text = body.arguments.get("text")
    return f"{body.verb} by {body.who}: {rejected}{body.answer}{f' ({text})' if text else ''}"


def _of_calibration(body: Body) -> str:
    """Return what happened in a calibration; empty for anything else."""
    text = ""
    match body:
        case probe_events.RoutineBegan():
            doing = "calibration" if body.adjusts else "check"
            text = f"probe {body.probe}: {doing} {body.id} began, by {body.by}"
        case probe_events.PointCaptured():
            text = f"probe {body.probe}: point {body.point} taken, {body.raw_mS_cm:.3f} mS/cm"
        case probe_events.CalibrationJudged():
            text = f"probe {body.probe}: {OUTCOMES.get(body.outcome, body.outcome)}"
        case probe_events.CalibrationReverted():
            text = f"probe {body.probe}: calibration {body.record.get('to_id')} is in force again"
        case (
            probe_events.RoutineSpoke()
            | probe_events.RecordSaved()
            | probe_events.CalibrationSettled()
            | probe_events.RoutineLost()
            | probe_events.ProbeReturned()
        ):
            text = f"probe {body.probe}: {body.text}"
    return text


def _of_probe(body: Body) -> str:
    """Return what happened to a probe outside of a calibration; empty for anything else."""
    match body:
        case probe_events.HealthChanged():
            change = f"from {_health(body.was)} to {_health(body.health)}"
            return f"probe {body.probe} {change}{_because(body.why)}"
        case probe_events.ProbeFails() | probe_events.ZeroOff():
            return f"probe {body.probe} {body.state}: {body.why}"
        case probe_events.ProbeWorks() | probe_events.ZeroRight():
            return f"probe {body.probe} {body.state}"
    return ""


def _of_service(body: Body, zone: tzinfo) -> str:
    """Return what happened to the service, with its figures; empty for anything else."""
    figures: dict[str, JSON] = {}
    match body:
        case service_events.MeasuringEnded():
            return body.state
        case service_events.MeasuringBegan():
            figures = {"version": body.version, "rehearsal speed": body.rehearsal_speed}
            return ", ".join([body.state, *_parts(figures)])
        case service_events.InputFails():
            return f"input {body.input} {body.state}: {body.why}"
        case service_events.InputWorks():
            return f"input {body.input} {body.state}"
        case service_events.AlarmFloodChanged():
            figures = {"alarms": body.alarms}
        case service_events.InboxReplaced():
            figures = {"aside": body.aside}
        case service_events.EntryDamaged():
            figures = {"entry": body.entry, "readings": body.readings}
        case service_events.EntriesLost():
            figures = {"readings": body.readings, "events": body.events}
        case service_events.JournalCutOff() | service_events.InboxMoved():
            pass
        case _:
            return _of_journal(body, zone)
    return ", ".join([f"{body.state}: {body.why}", *_parts(figures)])


def _of_journal(body: Body, zone: tzinfo) -> str:
    """Return what happened to the whole journal, with its figures; empty for anything else."""
    figures: dict[str, JSON] = {}
    match body:
        case service_events.JournalFull():
            figures = {
                "readings": body.readings,
                "unconfirmed": body.unconfirmed,
                "summaries": body.summaries,
            }
        case service_events.JournalReplaced():
            figures = {
                "aside": body.aside,
                "events": body.events,
                "calibrations": body.calibrations,
                "readings": body.readings,
                "memory": body.memory,
            }
        case service_events.JournalSalvaged():
            figures = {"events": body.events, "readings": body.readings, "memory": body.memory}
        case service_events.JournalRestored():
            figures = {
                "made at": local_iso(body.made_at, zone),
                "last seq": body.last_seq,
                "backup": body.backup,
            }
        case _:
            return ""
    return ", ".join([f"{body.state}: {body.why}", *_parts(figures)])


def _plain(facts: Mapping[str, JSON]) -> str:
    """Return facts that this version has no words for."""
    return ", ".join(_parts(facts))


def _parts(facts: Mapping[str, JSON]) -> list[str]:
    """Return what is known of some facts, each as its name and its value."""
    return [
        f"{key.replace('_', ' ')} {f'{value:.4g}' if isinstance(value, float) else value}"
        for key, value in facts.items()
        if value is not None and not isinstance(value, dict | list)
    ]


def _because(why: str) -> str:
    return f": {why}" if why else ""


def _health(health: str) -> str:
    return "normal" if health == Health.NORMAL else health


def _spread(u: float | None, digits: int, unit: str = "") -> str:
    """Return the ± of a value with its unit and its mark; that it is unknown, where it is."""
    return f"{unit}, ± unknown" if u is None else f" ± {2 * u:.{digits}f}{unit} (k=2)"
