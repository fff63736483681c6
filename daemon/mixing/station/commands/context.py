"""What a command brings along, and its arguments, which are believed in nothing."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from daemon.errors import BrinewrightError
from daemon.mixing.alarm.catalogue import CATALOGUE
from daemon.mixing.alarm.transitions import AlarmState

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

    from daemon.entries import JSON
    from daemon.mixing.alarm.catalogue import AlarmKind
    from daemon.mixing.batch.lots import Lot
    from daemon.mixing.batch.state import BatchSettings, BatchState
    from daemon.mixing.events import Happening
    from daemon.mixing.probe.calibration_routines import Calibrating
    from daemon.mixing.stability.level import Level
    from daemon.mixing.station.state import ReservoirSettings, ReservoirState

LONGEST_TEXT = 500
LONGEST_NAME = 40


class Refused(BrinewrightError):  # noqa: N818 - named for what is so; its text is the answer
    """The command is not carried out; the text says why and what would do."""


@dataclass(frozen=True, slots=True)
class Asked:
    """One command with all that it may look at.

    Attributes:
        who: Who asks.
        facts: Its arguments, from outside.
        reservoir: Name; empty for the station, of which `state` to `settings` say nothing.
        wall: UTC.
        t_s: Monotonic time, s.
        lots: All lots by name; changed in place.
        state: The batch's; changed in place.
        level: Salinity of late; cleared when the batch ends.
        settings: What the batch has to be.
        calibrating: Calibrations of the whole station; changed in place.
        reservoir_state: All that is remembered of the reservoir; None for the station.
        reservoir_settings: Likewise.
        alarms: Of the reservoir, or of the station itself; changed in place.
        alarm_rows: The catalogue of alarms, with the owner's settings.
    """

    who: str
    facts: Mapping[str, JSON]
    reservoir: str
    wall: datetime
    t_s: float
    lots: dict[str, Lot]
    state: BatchState
    level: Level
    settings: BatchSettings
    calibrating: Calibrating | None = None
    reservoir_state: ReservoirState | None = None
    reservoir_settings: ReservoirSettings | None = None
    alarms: AlarmState = field(default_factory=AlarmState)
    alarm_rows: Mapping[str, AlarmKind] = field(default_factory=lambda: CATALOGUE)


@dataclass(frozen=True, slots=True)
class Done:
    """What was done.

    Attributes:
        answer: One sentence for who asked.
        steps: What follows from it.
    """

    answer: str
    steps: tuple[Happening, ...] = ()


def number(asked: Asked, name: str, low: float, high: float, within: str = "") -> float | None:
    """Return an argument that is a number within `low` to `high`; None when it is not there.

    Args:
        asked: The command.
        name: Of the argument.
        low: Smallest that is allowed.
        high: Largest.
        within: Both in words, where the figures alone would not be understood.

    Raises:
        Refused: It is something else.
    """
    value = asked.facts.get(name)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or value != value:  # noqa: PLR0124
        raise Refused(f"{name} = {shown(value)} is not a number")
    if not low <= value <= high:
        raise Refused(f"{name} = {shown(value)} is outside {within or f'{low:g} to {high:g}'}")
    return float(value)


def shown(value: JSON) -> str:
    """Return what was given, as short as a sentence can bear and without what cannot be printed."""
    if isinstance(value, float):
        return f"{value:g}"
    text = "".join(sign if sign.isprintable() else " " for sign in str(value)[:LONGEST_NAME])
    return repr(text) if isinstance(value, str) else text


def text(asked: Asked, name: str, longest: int) -> str:
    """Return an argument that is a text, without what cannot be printed; empty when not there.

    Raises:
        Refused: It is something else, or too long.
    """
    value = asked.facts.get(name)
    if value is None:
        return ""
    if not isinstance(value, str) or len(value) > longest:
        raise Refused(f"{name} must be a text of at most {longest} characters")
    return "".join(sign for sign in value if sign.isprintable()).strip()
