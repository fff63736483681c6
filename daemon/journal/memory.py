"""The station's state as text, and back: what a restart goes on from."""

from __future__ import annotations

from functools import cache
from typing import Any

from pydantic import TypeAdapter, ValidationError

from daemon.mixing.batch import BatchState
from daemon.mixing.station import ReservoirState, StationState
from daemon.mixing.timeline import Timeline


def dump(state: StationState) -> str:
    """Return the state as JSON."""
    return _adapter(StationState).dump_json(state).decode()


def restore(text: str) -> StationState | None:
    """Return the state that `dump` wrote; None when this version cannot read it."""
    try:
        state: StationState = _adapter(StationState).validate_json(text)
    except ValidationError:
        return None
    return state


def restore_batches(text: str) -> StationState | None:
    """Return what of a state even another version must keep: time and batches.

    The detectors then begin anew, as after a gap.  None when not even that
    can be read.
    """
    try:
        raw: dict[str, Any] = _adapter(dict[str, Any]).validate_json(text)
        state = StationState(timeline=_adapter(Timeline).validate_python(raw["timeline"]))
        for name, kept in raw["reservoirs"].items():
            batch = _adapter(BatchState).validate_python(kept["batch"])
            state.reservoirs[name] = ReservoirState(batch=batch)
    except (ValidationError, KeyError, TypeError, AttributeError):
        return None
    return state


@cache
def _adapter(kind: Any) -> TypeAdapter[Any]:  # noqa: ANN401 - any type that pydantic takes
    return TypeAdapter(kind)
