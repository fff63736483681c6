"""What a hub is sent of a device: of its present state, what the entities show.

What is not measured is unknown, and so is a salinity whose quality test failed, because
automations act on any number.  An alarm that stood when measuring stopped still stands; that
there is no other nobody knows then.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

from daemon.entries import JSON, Flag
from daemon.mixing.station.snapshot import AlarmSnapshot, ReservoirSnapshot, StationSnapshot
from daemon.mixing.station.steady import AHEAD, steady_since
from daemon.publishing.mqtt.hub.deadband import Figure
from daemon.publishing.mqtt.hub.problem import most_urgent, standing, unacknowledged

USABLE = (Flag.PASS, Flag.NOT_EVALUATED, Flag.SUSPECT)

_MINUTE = Figure(60.0, 90.0)
_SECOND = Figure(1.0, 300.0)

MOMENTS = {
    "steady_since": _MINUTE,
    "use_by": _MINUTE,
    "start_by": _MINUTE,
    "expected_release": _MINUTE,
    "expected_steady": _MINUTE,
    "expected_earliest": _MINUTE,
    "expected_latest": _MINUTE,
    "question_since": _MINUTE,
    "problem_since": _MINUTE,
    "last_reading": _SECOND,
}
"""Times, in seconds since 1970.  Some are computed with each reading, so that the deadband
is longer than what the clocks differ by."""
FIGURES = MOMENTS | {
    "salinity": Figure(0.01, 0.02),
    "salinity_expanded": Figure(0.01, 0.01),
    "specific_gravity": Figure(0.0001, 0.0001),
    "conductivity_mS_cm": Figure(0.01, 0.05),
    "temperature_C": Figure(0.1, 0.1),
    "flag": Figure(1.0, 0.0, rises_at_once=True),
    "mixing_over_percent": Figure(1.0, 2.0),
    "batch_age_h": Figure(0.1, 0.2),
    "expected_salinity": Figure(0.1, 0.1),
    "advised_salt_g": Figure(1.0, 5.0),
    "advised_water_l": Figure(0.1, 0.2),
    "volume_left_l": Figure(0.1, 0.2),
}
"""Every figure by its key in the message: rounded to what is shown, the deadband one or two of
these steps, and several where noise moves more than one; our choice."""


@dataclass(frozen=True, slots=True)
class Picture:
    """The present state of a device, by how soon a change of it must be sent.

    Attributes:
        words: What is sent at once, and everything with it.
        figures: What is sent when it has moved; see `FIGURES`.
        texts: Sentences, which may have figures in them; not sent more often than figures are.
    """

    words: Mapping[str, JSON]
    figures: Mapping[str, float | None] = field(default_factory=dict)
    texts: Mapping[str, str | None] = field(default_factory=dict)


def reservoir_picture(snapshot: ReservoirSnapshot, *, measured: bool) -> Picture:
    """Return what a hub is sent of a reservoir.

    Args:
        snapshot: Its present state.
        measured: Whether that is of now.
    """
    alarms = _alarms(snapshot.alarm_details, measured=measured)
    figures = {**_water(snapshot), **_batch_figures(snapshot)}
    if not measured:
        figures = dict.fromkeys(figures)
    asks = snapshot.question if measured else None
    words: dict[str, JSON] = {
        "measuring": measured,
        "phase": str(snapshot.phase) if measured else None,
        "batch": snapshot.batch if measured else None,
        "question": asks.text if asks is not None and not asks.answered_by else None,
        "question_answered_by": (asks.answered_by or None) if asks is not None else None,
        "probe_health": snapshot.probe_health if measured else None,
        "probes_health": dict(snapshot.probes_health) if measured else {},
    }
    texts = {
        "advice": snapshot.advice if measured else None,
        "held_back_by": ("; ".join(snapshot.held_back_by) or None) if measured else None,
        "forecast_note": (snapshot.forecast_note or None) if measured else None,
        "question_why": asks.why if asks is not None else None,
    }
    return Picture(
        {**words, **alarms.words},
        {**figures, **alarms.figures, "last_reading": _seconds(snapshot.time)},
        {**texts, **alarms.texts},
    )


def station_picture(snapshot: StationSnapshot, *, measured: bool) -> Picture:
    """Return what a hub is sent of the station itself; see `reservoir_picture`."""
    alarms = _alarms(snapshot.alarm_details, measured=measured)
    words: dict[str, JSON] = {
        "measuring": measured,
        "alarm_flood": snapshot.alarm_flood if measured else None,
    }
    last = {"last_reading": _seconds(snapshot.time)}
    return Picture({**words, **alarms.words}, {**alarms.figures, **last}, alarms.texts)


def _water(snapshot: ReservoirSnapshot) -> dict[str, float | None]:
    usable, u = snapshot.flag in USABLE, snapshot.salinity_u
    return {
        "salinity": snapshot.salinity if usable else None,
        # For a person, so k = 2; `salinity_u` of the snapshot is a standard uncertainty.
        "salinity_expanded": 2.0 * u if usable and u is not None else None,
        "specific_gravity": snapshot.specific_gravity if usable else None,
        "conductivity_mS_cm": snapshot.conductivity_mS_cm,
        "temperature_C": snapshot.temperature_C,
        "flag": float(snapshot.flag),
    }


def _batch_figures(snapshot: ReservoirSnapshot) -> dict[str, float | None]:
    ahead, question, chance = snapshot.phase in AHEAD, snapshot.question, snapshot.chance_over
    ready = _seconds(snapshot.expected_ready_at) if ahead else None
    return {
        "batch_age_h": snapshot.age_h,
        "steady_since": _seconds(steady_since(snapshot)),
        "use_by": _seconds(snapshot.use_by),
        "start_by": _seconds(snapshot.start_by),
        # A release that needs something besides time has no moment that could be foreseen.
        "expected_release": None if snapshot.forecast_note else ready,
        "expected_steady": ready,
        "expected_earliest": _seconds(snapshot.expected_ready_low) if ahead else None,
        "expected_latest": _seconds(snapshot.expected_ready_high) if ahead else None,
        "expected_salinity": snapshot.final_salinity,
        "mixing_over_percent": None if chance is None else _percent(chance),
        "advised_salt_g": snapshot.advice_salt_g,
        "advised_water_l": snapshot.advice_water_l,
        "volume_left_l": snapshot.volume_left_l,
        "question_since": None if question is None else _seconds(question.since),
    }


def _percent(chance: float) -> float:
    """Return a chance in per cent; what is not certain is never shown as 100."""
    return 100.0 * chance if chance >= 1.0 else min(99.0, 100.0 * chance)


def _alarms(details: Mapping[str, AlarmSnapshot], *, measured: bool) -> Picture:
    problem, count = most_urgent(details), unacknowledged(details)
    return Picture(
        {
            "alarms": list(standing(details)),
            "unacknowledged": count if measured else count or None,
            "problem": None if problem is None else problem.alarm,
            "problem_priority": None if problem is None else problem.priority,
            "problem_do": None if problem is None else problem.do,
        },
        {"problem_since": None if problem is None else _seconds(problem.since)},
        {"problem_why": None if problem is None else problem.why},
    )


def _seconds(moment: str | None) -> float | None:
    return datetime.fromisoformat(moment).timestamp() if moment else None
