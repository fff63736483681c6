"""How an event is printed: one line of JSON, or one line for a person."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from daemon.publishing.payloads import event_payload

if TYPE_CHECKING:
    from daemon.entries import JSON, Event

NOT_FOR_PEOPLE = ("reason", "from", "salt_g", "water_l", "fits", "final_u")


def line(event: Event) -> str:
    """Return the event as one line of JSON."""
    return json.dumps(event_payload(event), ensure_ascii=False, allow_nan=False)


def listing(event: Event) -> str:
    """Return the event as one line for a person."""
    where = event.reservoir or "station"
    return f"{event.at.wall:%Y-%m-%d %H:%M:%S}  {where:<8} {event.kind:<10} {told(event)}"


def told(event: Event) -> str:
    """Return what happened, without when and where."""
    facts = dict(event.facts)
    if "to" in facts:
        return f"{facts['to']}: {facts.get('why', '')}"
    if "advice" in facts:
        return str(facts["advice"])
    parts = [_part(key, value) for key, value in facts.items() if key not in NOT_FOR_PEOPLE]
    return ", ".join(part for part in parts if part)


def _part(key: str, value: JSON) -> str:
    if value is None or isinstance(value, dict | list):
        return ""
    shown = f"{value:.4g}" if isinstance(value, float) else str(value)
    return f"{key.replace('_', ' ')} {shown}"
