"""An event as text for a person: when, about what, and what happened."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Callable, Mapping
from datetime import tzinfo
from typing import TYPE_CHECKING

from daemon.entries import JSON, Kind, Phase
from daemon.journal.event_codec import facts_of
from daemon.local_time import SECOND, local, local_iso
from daemon.mixing.alarm.alarm_state import LifecycleState
from daemon.mixing.cautions import INDEPENDENT_CHECK
from daemon.mixing.probe.health import Health
from daemon.mixing.station.snapshot import ReservoirSnapshot, StationSnapshot
from daemon.printable import printable

if TYPE_CHECKING:
    from daemon.entries import Event

OUTCOMES = {
    "accept": "accepted",
    "accept_with_warning": "accepted with a warning",
    "hold": "on hold",
    "refuse": "rejected",
}
"""Outcomes of a calibration in words."""
CLOCK = "%H:%M"
WIDTH = 80
"""Columns of a screen that nobody has made wider."""
NOT_FOR_PEOPLE = ("reason", "from", "salt_g", "water_l", "fits", "final_u", "batch")


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
    head = f"{local(event.at.wall, zone, shape)}  {event.kind:<10}  "
    what = sentence_of(event, zone)
    if event.kind is Kind.PHASE and facts_of(event.body).get("to") == Phase.READY:
        what = f"{what.rstrip(': ')}; {INDEPENDENT_CHECK}"
    room = width - 1 - len(head)
    parts = [printable(part) for part in (what + where).replace("\r\n", "\n").split("\n")]
    lines = [line for part in parts for line in textwrap.wrap(part, room, break_on_hyphens=False)]
    return (head + f"\n{' ' * len(head)}".join(lines)).rstrip()


def sentence_of(event: Event, zone: tzinfo) -> str:
    """Return what happened, without when and where; times in it are of the zone."""
    facts = facts_of(event.body)
    if event.kind in SENTENCES:
        return SENTENCES[event.kind](facts, zone)
    parts = [_part(key, value) for key, value in facts.items() if key not in NOT_FOR_PEOPLE]
    return ", ".join(part for part in parts if part)


def alarm_names(snapshot: ReservoirSnapshot | StationSnapshot) -> str:
    """Return the names of the alarms that are announced in a snapshot, or "none".

    Those that have returned to normal unacknowledged are counted behind them.
    """
    named = ", ".join(snapshot.alarms) or "none"
    returned = LifecycleState.RETURNED_UNACKNOWLEDGED
    gone = sum(each.state == returned for each in snapshot.alarm_details.values())
    return f"{named} ({gone} returned unacknowledged)" if gone else named


def _phase(facts: Mapping[str, JSON], _: tzinfo) -> str:
    return f"{str(facts['to']).replace('_', ' ')}: {facts.get('why', '')}"


def _advice(facts: Mapping[str, JSON], _: tzinfo) -> str:
    return str(facts["advice"])


def _alarm(facts: Mapping[str, JSON], zone: tzinfo) -> str:
    by = f" by {facts['who']}" if facts.get("who") else ""
    until = f" until {local_iso(str(facts['until']), zone)}" if facts.get("until") else ""
    why = f": {facts['why']}" if facts.get("why") else ""
    what = str(facts.get("what", facts.get("state"))).replace("-", " ")
    return f"{facts['name']} {what}{by}{until}{why}"


def _stabilised(facts: Mapping[str, JSON], _: tzinfo) -> str:
    level = f"at {_number(facts, 'salinity'):.2f}{_spread(facts, 'salinity_u', 2, ' ppt')}"
    reason = facts.get("reason")
    sure = reason.get("confidence") if isinstance(reason, dict) else None
    if not isinstance(sure, float):
        return level
    return f"{level}, mixed with {100 * sure:.1f} % confidence"


def _disturbed(facts: Mapping[str, JSON], _: tzinfo) -> str:
    return f"by {facts['cause']}: {_number(facts, 'change'):+.2f} ppt"


def _forecast(facts: Mapping[str, JSON], zone: tzinfo) -> str:
    at, low, high = (facts[key] for key in ("stable_at", "stable_at_low", "stable_at_high"))
    until = local_iso(str(high), zone, CLOCK) if high else "later"
    return (
        f"expected steady {local_iso(str(at), zone, CLOCK)}"
        f" ({local_iso(str(low), zone, CLOCK)} to {until}),"
        f" {_number(facts, 'final_salinity'):.2f} ppt"
    )


def _device(facts: Mapping[str, JSON], _: tzinfo) -> str:
    who = f"probe {facts['probe']} " if "probe" in facts else ""
    if "health" in facts:
        why = f": {facts['why']}" if facts.get("why") else ""
        return f"{who}from {_health(facts.get('was'))} to {_health(facts['health'])}{why}"
    rest = [
        _part(key, value) for key, value in facts.items() if key not in ("probe", "state", "why")
    ]
    why = f": {facts['why']}" if "why" in facts else ""
    return ", ".join([f"{who}{facts.get('state', '')}{why}", *filter(None, rest)])


def _command(facts: Mapping[str, JSON], _: tzinfo) -> str:
    rejected = "" if facts.get("ok") else "rejected: "
    text = f" ({facts['text']})" if facts.get("text") else ""
    return f"{facts.get('verb')} by {facts.get('who')}: {rejected}{facts.get('answer')}{text}"


def _batch(facts: Mapping[str, JSON], _: tzinfo) -> str:
    if facts.get("what") == "yield learned":
        spread = _spread(facts, "mix_yield_u", 3)
        return f"lot {facts.get('lot')}: salt content {_number(facts, 'mix_yield'):.3f}{spread}"
    if facts.get("what") == "began":
        if facts.get("salinity") is None:
            return "began with water of unknown salinity"
        return f"began with water at {_number(facts, 'salinity'):.2f} ppt"
    return f"ended: {facts.get('how')} ({facts.get('by')})"


def _calibration(facts: Mapping[str, JSON], _: tzinfo) -> str:
    who = f"probe {facts.get('probe')}: "
    if facts.get("what") == "captured":
        return f"{who}point {facts.get('point')} taken, {_number(facts, 'raw_mS_cm'):.3f} mS/cm"
    if facts.get("what") == "judged":
        outcome = str(facts.get("outcome"))
        return f"{who}{OUTCOMES.get(outcome, outcome)}"
    if facts.get("what") == "reverted":
        record = facts.get("record")
        back = record.get("to_id") if isinstance(record, dict) else ""
        return f"{who}calibration {back} is in force again"
    if "text" in facts:
        return f"{who}{facts['text']}"
    return ", ".join(filter(None, (_part(key, value) for key, value in facts.items())))


def _health(health: JSON) -> str:
    return "normal" if health == Health.GOOD else str(health)


def _spread(facts: Mapping[str, JSON], key: str, digits: int, unit: str = "") -> str:
    """Return the ± of a value with its unit and its mark; that it is unknown, where it is."""
    u = _number(facts, key)
    return f"{unit}, ± unknown" if math.isnan(u) else f" ± {2 * u:.{digits}f}{unit} (k=2)"


def _number(facts: Mapping[str, JSON], key: str) -> float:
    value = facts.get(key)
    return float(value) if isinstance(value, int | float) else float("nan")


def _part(key: str, value: JSON) -> str:
    if value is None or isinstance(value, dict | list):
        return ""
    text = f"{value:.4g}" if isinstance(value, float) else str(value)
    return f"{key.replace('_', ' ')} {text}"


SENTENCES: dict[Kind, Callable[[Mapping[str, JSON], tzinfo], str]] = {
    Kind.PHASE: _phase,
    Kind.ADVICE: _advice,
    Kind.ALARM: _alarm,
    Kind.STABILISED: _stabilised,
    Kind.DISTURBED: _disturbed,
    Kind.FORECAST: _forecast,
    Kind.DEVICE: _device,
    Kind.BATCH: _batch,
    Kind.COMMAND: _command,
    Kind.CALIBRATION: _calibration,
}
