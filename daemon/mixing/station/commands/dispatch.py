"""From a command to the function that carries it out, with its context."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from daemon.mixing.station import together
from daemon.mixing.station.commands import alarm, batch, calibration, lot
from daemon.mixing.station.commands.context import (
    LONGEST_NAME,
    AlarmContext,
    Arguments,
    BatchContext,
    CalibrationContext,
    CommandResult,
    LotContext,
    Rejected,
    quoted,
)

if TYPE_CHECKING:
    from collections.abc import Mapping

    from daemon.entries import Command
    from daemon.mixing.probe.calibration_routines import CalibrationBench
    from daemon.mixing.station.host import StationSettings
    from daemon.mixing.station.station_state import ReservoirSettings, ReservoirState, StationState

VERBS: dict[str, tuple[str, ...]] = {
    name: verb.takes
    for verbs in (batch.VERBS, lot.VERBS, calibration.VERBS, alarm.VERBS)
    for name, verb in verbs.items()
}
"""Every verb and the names of its arguments."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StationParts:
    """The parts of the station that commands use.

    Attributes:
        state: Of the station; changed in place.
        reservoirs: Settings by name.
        own: Settings of the station itself.
        calibrating: Routines and records; changed in place.
    """

    state: StationState
    reservoirs: Mapping[str, ReservoirSettings]
    own: StationSettings
    calibrating: CalibrationBench

    def reservoir(self, name: str, verb: str) -> tuple[ReservoirState, ReservoirSettings]:
        """Return state and settings of the reservoir of a command.

        Raises:
            Rejected: The command names none.
        """
        if not name:
            raise Rejected(f"{verb} needs a reservoir")
        return self.state.reservoirs[name], self.reservoirs[name]


def carry_out(command: Command, parts: StationParts, t_s: float) -> CommandResult:
    """Carry out a command.

    Args:
        command: Its reservoir, if it names one that is configured, is in the station's state.
        parts: Changed in place.
        t_s: Monotonic time, s.

    Raises:
        Rejected: It is not carried out; nothing has changed.
    """
    _check(command, parts)
    try:
        return _run(command, parts, t_s)
    except (ValueError, ArithmeticError) as exc:
        raise Rejected(str(exc)) from exc


def _check(command: Command, parts: StationParts) -> None:
    name, verb = command.reservoir, command.verb
    if name and name not in parts.reservoirs:
        names = ", ".join(parts.reservoirs)
        raise Rejected(f"there is no reservoir {name!r}; there are {names}")
    if verb not in VERBS:
        raise Rejected(f"there is no command {verb[:LONGEST_NAME]!r}; known are {', '.join(VERBS)}")
    if verb in batch.VERBS or verb in calibration.VERBS:
        parts.reservoir(name, verb)
    extra = sorted(set(command.facts) - set(VERBS[verb]))
    if extra:
        names = ", ".join(quoted(each) for each in extra[:3])
        raise Rejected(f"{verb} takes no {names}; it takes {', '.join(VERBS[verb])}")


def _run(command: Command, parts: StationParts, t_s: float) -> CommandResult:
    verb, arguments = command.verb, Arguments(command.facts)
    if verb in batch.VERBS:
        return _run_batch_verb(command, parts, t_s)
    if verb in calibration.VERBS:
        return calibration.VERBS[verb].carry_out(_calibration_context(command, parts, t_s))
    if verb in lot.VERBS:
        return lot.VERBS[verb].carry_out(LotContext(arguments=arguments, lots=parts.state.lots))
    return alarm.VERBS[verb].carry_out(_alarm_context(command, parts, t_s))


def _run_batch_verb(command: Command, parts: StationParts, t_s: float) -> CommandResult:
    """Carry out a verb of a batch, which may say that the probes are in the water."""
    context = _batch_context(command, parts, t_s)
    away = context.place.away is not None
    result = batch.VERBS[command.verb].carry_out(context)
    if away and context.place.away is None:
        together.take_word(*parts.reservoir(command.reservoir, command.verb))
    return result


def _batch_context(command: Command, parts: StationParts, t_s: float) -> BatchContext:
    state, settings = parts.reservoir(command.reservoir, command.verb)
    return BatchContext(
        who=command.who,
        arguments=Arguments(command.facts),
        reservoir=command.reservoir,
        wall=command.at.wall,
        t_s=t_s,
        batch=state.batch,
        level=state.level,
        settings=settings.batch,
        lots=parts.state.lots,
        place=together.place_of(state, settings),
    )


def _calibration_context(command: Command, parts: StationParts, t_s: float) -> CalibrationContext:
    state, settings = parts.reservoir(command.reservoir, command.verb)
    return CalibrationContext(
        who=command.who,
        arguments=Arguments(command.facts),
        wall=command.at.wall,
        t_s=t_s,
        calibrating=parts.calibrating,
        state=state,
        settings=settings,
    )


def _alarm_context(command: Command, parts: StationParts, t_s: float) -> AlarmContext:
    name = command.reservoir
    return AlarmContext(
        who=command.who,
        arguments=Arguments(command.facts),
        reservoir=name,
        wall=command.at.wall,
        t_s=t_s,
        alarms=parts.state.reservoirs[name].alarms if name else parts.state.alarms,
        alarm_rows=parts.own.alarms,
    )
