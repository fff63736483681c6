"""The context of a command, by the room that it is about, and its result.

The arguments come from outside and are untrusted.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Generic, TypeVar

from daemon.errors import BrinewrightError

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from datetime import datetime

    from daemon.entries import JSON
    from daemon.mixing.alarm.alarm_state import AlarmState
    from daemon.mixing.alarm.catalogue import AlarmKind
    from daemon.mixing.batch.batch_state import BatchSettings, BatchState
    from daemon.mixing.batch.lots import Lot
    from daemon.mixing.events import Happening
    from daemon.mixing.probe.calibration_routines import CalibrationBench
    from daemon.mixing.probe.place_state import PlaceState
    from daemon.mixing.stability.level import Level
    from daemon.mixing.station.station_state import ReservoirSettings, ReservoirState

LONGEST_TEXT = 500
LONGEST_NAME = 40


class Rejected(BrinewrightError):  # noqa: N818 - the word of the trade; its text is the answer
    """The command is not carried out; the text says why and what would do."""


@dataclass(frozen=True, slots=True)
class Arguments:
    """The arguments of a command.

    Attributes:
        by_name: As they came.
    """

    by_name: Mapping[str, JSON]

    def number(self, name: str, low: float, high: float, within: str = "") -> float | None:
        """Return an argument that is a number within `low` to `high`; None when it is missing.

        Args:
            name: Of the argument.
            low: Smallest that is allowed.
            high: Largest.
            within: Both in words, where the figures alone would not be understood.

        Raises:
            Rejected: It is something else.
        """
        value = self.by_name.get(name)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int | float) or value != value:  # noqa: PLR0124
            raise Rejected(f"{name} = {quoted(value)} is not a number")
        if not low <= value <= high:
            raise Rejected(
                f"{name} = {quoted(value)} is outside {within or f'{low:g} to {high:g}'}"
            )
        return float(value)

    def flag(self, name: str) -> bool:
        """Return an argument that is true or false; false when it is missing.

        Raises:
            Rejected: It is something else.
        """
        value = self.by_name.get(name)
        if value is not None and not isinstance(value, bool):
            raise Rejected(f"{name} = {quoted(value)} is neither true nor false")
        return bool(value)

    def text(self, name: str, longest: int) -> str:
        """Return an argument that is a text, without unprintable characters; empty when missing.

        Raises:
            Rejected: It is something else, or too long.
        """
        value = self.by_name.get(name)
        if value is None:
            return ""
        if not isinstance(value, str) or len(value) > longest:
            raise Rejected(f"{name} must be a text of at most {longest} characters")
        return "".join(sign for sign in value if sign.isprintable()).strip()


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchContext:
    """A command about the batch in one reservoir.

    Attributes:
        who: Who sent it.
        arguments: Of the command.
        reservoir: Name.
        wall: UTC.
        t_s: Monotonic time, s.
        batch: Changed in place.
        level: Salinity of the last minutes; cleared when the batch ends.
        settings: What the batch has to be.
        lots: All lots by name; changed in place.
        place: Of the probe that decides; changed in place.
    """

    who: str
    arguments: Arguments
    reservoir: str
    wall: datetime
    t_s: float
    batch: BatchState
    level: Level
    settings: BatchSettings
    lots: dict[str, Lot]
    place: PlaceState


@dataclass(frozen=True, slots=True, kw_only=True)
class LotContext:
    """A command about the books of lots.

    Attributes:
        arguments: Of the command.
        lots: All lots by name; changed in place.
    """

    arguments: Arguments
    lots: dict[str, Lot]


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmContext:
    """A command about an alarm of a reservoir or of the station itself.

    Attributes:
        who: Who sent it.
        arguments: Of the command.
        reservoir: Name; empty for the station.
        wall: UTC.
        t_s: Monotonic time, s.
        alarms: Of that place; changed in place.
        alarm_rows: The catalogue of alarms, with the owner's settings.
    """

    who: str
    arguments: Arguments
    reservoir: str
    wall: datetime
    t_s: float
    alarms: AlarmState
    alarm_rows: Mapping[str, AlarmKind]


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationContext:
    """A command about the calibration of a reservoir's probe.

    Attributes:
        who: Who sent it.
        arguments: Of the command.
        wall: UTC.
        t_s: Monotonic time, s.
        calibrating: Routines and records of the whole station; changed in place.
        state: Of the reservoir; changed in place.
        settings: Of the reservoir.
    """

    who: str
    arguments: Arguments
    wall: datetime
    t_s: float
    calibrating: CalibrationBench
    state: ReservoirState
    settings: ReservoirSettings


@dataclass(frozen=True, slots=True)
class CommandResult:
    """The result of a command.

    Attributes:
        answer: One sentence for the sender.
        happenings: Its events.
    """

    answer: str
    happenings: tuple[Happening, ...] = ()


Context = TypeVar("Context")


@dataclass(frozen=True, slots=True)
class Verb(Generic[Context]):
    """One verb of the command interface.

    Attributes:
        carry_out: Carries it out, or raises `Rejected` and changes nothing.
        takes: Names of its arguments.
    """

    carry_out: Callable[[Context], CommandResult]
    takes: tuple[str, ...]


def quoted(value: JSON) -> str:
    """Return a value short enough for a sentence and without unprintable characters."""
    if isinstance(value, float):
        return f"{value:g}"
    text = "".join(sign if sign.isprintable() else " " for sign in str(value)[:LONGEST_NAME])
    return repr(text) if isinstance(value, str) else text
