"""The station's state as text, and back: a restart goes on from it.

The text carries a mark of the shape of the state.  A version with another mark, or with other
weights than those of the detectors' memory, restores only what must not be lost: time, commands
taken, lots, batches, alarms, reminders and the probes that are out of the water.  Its detectors
start over, as after a gap.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import is_dataclass
from datetime import datetime
from enum import Enum
from functools import cache
from typing import Any, get_args, get_type_hints

from pydantic import TypeAdapter, ValidationError

from daemon.journal.former_batch import in_present_shape
from daemon.mixing.alarm.alarm_state import AlarmState
from daemon.mixing.alarm.former_names import by_present_name
from daemon.mixing.batch.batch_state import BatchState
from daemon.mixing.batch.due_times import MixingTimes
from daemon.mixing.batch.lots import Lot
from daemon.mixing.probe.probe_state import ProbeState
from daemon.mixing.station.station_state import ReservoirState, StationState
from daemon.mixing.station.timeline import Timeline


def dump(state: StationState) -> str:
    """Return the state as JSON, marked with its shape."""
    return f'{{"shape":"{_shape()}","state":{_adapter(StationState).dump_json(state).decode()}}}'


def restore(text: str) -> StationState | None:
    """Return the state that `dump` wrote; None when it is of another shape."""
    try:
        raw = _adapter(dict[str, Any]).validate_json(text)
        if raw.get("shape") != _shape():
            return None
        state: StationState = _adapter(StationState).validate_python(raw.get("state"))
    except ValidationError:
        return None
    _rename_alarms(state)
    return state


def restore_batches(text: str) -> StationState | None:
    """Return what any other version must keep of a state; None when it cannot be read."""
    try:
        whole = _adapter(dict[str, Any]).validate_json(text)
        raw = whole.get("state", whole)
        state = StationState(timeline=_adapter(Timeline).validate_python(raw["timeline"]))
        state.lots = _adapter(dict[str, Lot]).validate_python(raw.get("lots", {}))
        state.commands_taken = _adapter(int).validate_python(raw.get("commands_taken", 0))
        state.alarms = _alarms(raw.get("alarms"))
        for name, stored in raw["reservoirs"].items():
            state.reservoirs[name] = ReservoirState(
                batch=_adapter(BatchState).validate_python(in_present_shape(stored["batch"])),
                times=_adapter(MixingTimes).validate_python(stored.get("times", {})),
                reminded=_adapter(list[datetime]).validate_python(stored.get("reminded", [])),
                probes=_out_of_water(stored.get("probes", {})),
                alarms=_alarms(stored.get("alarms")),
            )
    except (ValidationError, KeyError, TypeError, AttributeError):
        return None
    _rename_alarms(state)
    return state


def _rename_alarms(state: StationState) -> None:
    """Rename the alarms that an earlier version called otherwise."""
    state.alarms.known = by_present_name(state.alarms.known)
    state.health.conditions = by_present_name(state.health.conditions)
    for reservoir in state.reservoirs.values():
        reservoir.alarms.known = by_present_name(reservoir.alarms.known)


def _alarms(stored: Any) -> AlarmState:  # noqa: ANN401 - whatever another version wrote
    """Return the alarms that can be read, so that shelved ones stay shelved."""
    try:
        alarms: AlarmState = _adapter(AlarmState).validate_python(stored)
    except ValidationError:
        return AlarmState()
    return alarms


def _out_of_water(probes: dict[str, Any]) -> dict[str, ProbeState]:
    """Return the probes that are out of the water for calibration; they stay out in any version."""
    return {
        name: ProbeState(
            out_s=_adapter(float).validate_python(stored["out_s"]),
            left_under=_adapter(str).validate_python(stored.get("left_under", "")),
        )
        for name, stored in probes.items()
        if stored.get("out_s") is not None
    }


@cache
def _shape() -> str:
    text = json.dumps(outline(StationState), sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def outline(kind: type) -> dict[str, object]:
    """Return what a type holds: each dataclass, tuple and enumeration below it, by its name.

    Pydantic's own schema would say the same, and take a tenth of a second of each start.
    """
    known: dict[str, object] = {}
    _add(kind, known)
    return known


def _add(kind: Any, known: dict[str, object]) -> None:  # noqa: ANN401 - whatever a field may be
    for part in get_args(kind):
        _add(part, known)
    if not isinstance(kind, type) or repr(kind) in known:
        return
    if issubclass(kind, Enum):
        known[repr(kind)] = [str(each.value) for each in kind]
    elif is_dataclass(kind) or hasattr(kind, "_fields"):
        hints = get_type_hints(kind)
        known[repr(kind)] = {name: repr(hint) for name, hint in hints.items()}
        for hint in hints.values():
            _add(hint, known)


@cache
def _adapter(kind: Any) -> TypeAdapter[Any]:  # noqa: ANN401 - any type that pydantic takes
    return TypeAdapter(kind)
