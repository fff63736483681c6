"""What a mark in a trend says, from the event behind it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.mixing.events import (
    AlarmChanged,
    BatchEnded,
    BatchReinstated,
    BatchResumed,
    BatchSuspended,
    CommandAnswered,
    PhaseChanged,
    SalinityStabilised,
    WaterDisturbed,
)
from daemon.mixing.probe_events import CalibrationReverted, CalibrationSettled, RecordSaved
from daemon.printable import printable

if TYPE_CHECKING:
    from daemon.entries import Body

LONGEST = 300


def mark_text(body: Body) -> str:
    """Return what happened, without when; printable, and no longer than a line or two."""
    text = printable(_text(body))
    return text if len(text) <= LONGEST else f"{text[: LONGEST - 1]}…"


def _text(body: Body) -> str:
    text = ""
    match body:
        case PhaseChanged() | BatchSuspended() | BatchResumed() | BatchReinstated():
            text = body.why
        case SalinityStabilised():
            spread = "" if body.salinity_u is None else f" ± {2 * body.salinity_u:.2f}"
            text = f"at {body.salinity:.2f}{spread} ppt"
        case WaterDisturbed():
            text = f"by {body.cause}: {body.change:+.2f} ppt"
        case BatchEnded():
            text = f"{body.how} ({body.by})"
        case AlarmChanged():
            text = ": ".join(filter(None, (body.name.replace("-", " "), body.why)))
        case CommandAnswered():
            text = f"{body.arguments.get('text', '')} ({body.who})"
        case RecordSaved() | CalibrationSettled():
            text = f"probe {body.probe}: {body.text}"
        case CalibrationReverted():
            text = f"probe {body.probe}: an earlier calibration is in force again"
    return text
