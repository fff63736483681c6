"""The command that answers where the probe of a batch is, and whether its vessel was refilled."""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.entries import Phase
from daemon.mixing.batch import suspension
from daemon.mixing.batch.batch_state import WITH_SALT
from daemon.mixing.probe.place import TAP_PPT
from daemon.mixing.station.commands.context import (
    LONGEST_NAME,
    BatchContext,
    CommandResult,
    Rejected,
    quoted,
)

if TYPE_CHECKING:
    from daemon.mixing.events import Happening


def answer(context: BatchContext) -> CommandResult:
    """Take a person's answer: the probe is out, it is in the same water, or that was refilled."""
    given = context.arguments.text("answer", LONGEST_NAME)
    if given not in suspension.ANSWERS:
        known = ", ".join(suspension.ANSWERS)
        raise Rejected(f"answer = {quoted(given)} is none of {known}")
    if given == suspension.REFILLED:
        return _refilled(context)
    name = context.batch.id
    if not name:
        raise Rejected(f"no batch is known in {context.reservoir}, so nothing is asked")
    if context.batch.suspension is None and not context.batch.place_hold:
        raise Rejected(f"nothing is asked about {name}: its probe counts as being in its water")
    if given == suspension.SAME_WATER:
        _refuse_dry(context)
    steps = suspension.answer(
        context.batch, context.place, context.who, given, context.level, context.t_s
    )
    if given == suspension.PROBE_OUT:
        return CommandResult(f"{name} is kept, and goes on once the same water is back", ())
    return CommandResult(f"{name} goes on; it is {context.batch.phase}", tuple(steps))


def refill(context: BatchContext) -> list[Happening]:
    """End the batch and begin the next one, as the vessel was refilled."""
    return suspension.replace(
        context.batch,
        context.place,
        context.who,
        context.level,
        context.t_s,
        context.reservoir,
        context.wall,
        context.settings,
    )


def reads_other_water(context: BatchContext) -> bool:
    """Return whether a suspended batch's probe reads less than half of what it did."""
    now, away = context.place.bins.salinities[-1:], context.place.away
    if context.batch.phase not in WITH_SALT or away is None or not now:
        return False
    return now[0] < suspension.FALLEN_SHARE * away.home.salinity


def _refilled(context: BatchContext) -> CommandResult:
    state = context.batch
    if state.phase is Phase.BLANK:
        raise Rejected(f"{state.id} is in purified water already; 'batch discard' ends it")
    if state.phase is Phase.IDLE and context.place.away is None:
        raise Rejected(f"nothing is asked: no batch is known in {context.reservoir}")
    ended = state.id
    steps = refill(context)
    end = f"{ended} is {state.ended[ended]}, and " if ended else ""
    return CommandResult(f"{end}{state.id} has begun; it is {state.phase}", tuple(steps))


def _refuse_dry(context: BatchContext) -> None:
    now = context.place.bins.salinities[-1:]
    if context.batch.phase in WITH_SALT and (not now or now[0] < TAP_PPT):
        reads = f"reads {now[0]:.2f} ppt" if now else "gives no value"
        raise Rejected(
            f"the probe {reads}, so it is not in the water of {context.batch.id}: put it back"
            " first, or answer refilled"
        )
