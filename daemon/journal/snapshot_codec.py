"""Snapshots as the journal and the topics have them, and kept up to date by later readings."""

from __future__ import annotations

import json
from contextlib import suppress
from dataclasses import asdict, replace
from datetime import datetime
from typing import TYPE_CHECKING, Any

from daemon.journal.shapes import MisfitError, from_object, slots_of
from daemon.mixing.alarm.alarm_state import LifecycleState
from daemon.mixing.alarm.former_names import by_present_name, in_present_words, present_name
from daemon.mixing.station.chance_words import without_chance
from daemon.mixing.station.last_reading import iso, last_reading, usable
from daemon.mixing.station.snapshot import AlarmSnapshot, ReservoirSnapshot, StationSnapshot

if TYPE_CHECKING:
    from daemon.entries import JSON, Reading

STATES = [*map(str, LifecycleState)]
LONGEST_S = 60.0
"""How much the age of a batch may grow by one reading, s; a clock may have jumped."""


def reservoir_snapshot(text: str) -> ReservoirSnapshot | None:
    """Return the snapshot of a reservoir from its JSON.

    None for one that the disk has changed or that another version wrote without a time or a
    phase; measuring soon writes another.
    """
    found = _known(ReservoirSnapshot, text)
    return found if isinstance(found, ReservoirSnapshot) else None


def station_snapshot(text: str) -> StationSnapshot | None:
    """Return the snapshot of the station itself from its JSON; None as for a reservoir."""
    found = _known(StationSnapshot, text)
    return found if isinstance(found, StationSnapshot) else None


def renewed(known: ReservoirSnapshot, reading: Reading) -> ReservoirSnapshot:
    """Return a snapshot with what a later reading of its probe says in the place of its own.

    What only events change stays; the age moves on with the time between, of which no more
    than a minute counts.  The chance that mixing is over is of the present for no longer than
    that, and only beside a reading that can be used.
    """
    age, fresh = known.age_h, False
    with suppress(ValueError, TypeError):
        passed_s = (reading.at.wall - datetime.fromisoformat(known.time)).total_seconds()
        fresh = 0.0 <= passed_s <= LONGEST_S and usable(reading)
        if age is not None:
            age = round(age + min(max(passed_s, 0.0), LONGEST_S) / 3600.0, 3)
    known = known if fresh else without_chance(known)
    return replace(known, time=iso(reading.at), age_h=age, **asdict(last_reading(reading)))


def _known(shape: type[Any], text: str) -> object:
    """Read what this version knows of a snapshot, and leave out what it does not."""
    try:
        found = json.loads(text)
        if not isinstance(found, dict):
            return None
        members = {slot.key: slot for slot in slots_of(shape)}
        fitting = {
            key: value
            for key, value in found.items()
            if key in members and _fits(members[key].read, value)
        }
        if isinstance(names := fitting.get("alarms"), list):
            fitting["alarms"] = [*map(present_name, map(str, names))]
        if isinstance(details := found.get("alarm_details"), dict):
            fitting["alarm_details"] = by_present_name(
                {name: _alarm(each) for name, each in details.items() if isinstance(each, dict)}
            )
        return from_object(shape, fitting)
    except (ValueError, MisfitError):
        return None


def _alarm(found: dict[str, JSON]) -> dict[str, JSON]:
    present = in_present_words(found)
    if present.get("state") not in STATES:
        # A state that another version knows may be one that needs a person.
        present["state"] = str(LifecycleState.UNACKNOWLEDGED)
    if found.get("chatters") is True:
        present["repeating"] = True
    members = {slot.key: slot for slot in slots_of(AlarmSnapshot)}
    return {
        key: value
        for key, value in present.items()
        if key in members and _fits(members[key].read, value)
    }


def _fits(read: Any, value: JSON) -> bool:  # noqa: ANN401 - a function of `shapes`
    try:
        read(value)
    except MisfitError:
        return False
    return True
