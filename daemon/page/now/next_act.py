"""What to do next at a reservoir, in one sentence: a pure function of what is known of it.

First what makes everything else unknown, then a question that waits, a probe at the bench, the
most urgent alarm, the advice, what holds the release back; and where nothing is to be done, that
is said.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from daemon.entries import Phase
from daemon.mixing.cautions import SALT_DUST, SALT_SLOWLY, UNPLUG_FIRST
from daemon.mixing.probe.status_signal import Health
from daemon.page.labels import sentence
from daemon.page.now.state_sign import has_value

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from daemon.mixing.station.snapshot import ReservoirSnapshot
    from daemon.page.view import AlarmView, ReservoirView

AS_ADVISED = ("batch-off-target", "batch-undecided", "blank-impure")
"""Alarms whose remedy is the advice that is in force."""
STEP_END = "; "


@dataclass(frozen=True, slots=True)
class NextAct:
    """What to do next.

    Attributes:
        sentence: The first thing, as a whole sentence.
        steps: What follows it, a sentence each.
        waits: Whether nothing is to be done but to wait, or nothing at all.
    """

    sentence: str
    steps: tuple[str, ...] = ()
    waits: bool = False


OF_PHASE = {
    Phase.IDLE: NextAct("Nothing to do.", waits=True),
    Phase.BLANK: NextAct(
        f"Pour in the salt, {SALT_SLOWLY}.", (f"{SALT_DUST[:1].upper()}{SALT_DUST[1:]}.",)
    ),
    Phase.VERIFYING: NextAct("Wait: release is judged again each minute.", waits=True),
    Phase.OFF_TARGET: NextAct("Use none of it: correct the batch, or discard it."),
    Phase.STALE: NextAct("Use none of it: mix and verify it again, or discard it."),
}
"""What a phase alone says."""


def next_act(
    reservoir: ReservoirView, alarms: Sequence[AlarmView], moment: Callable[[str], str]
) -> NextAct:
    """Return what to do next at a reservoir.

    Args:
        reservoir: As the journal has it.
        alarms: Its own, the most urgent first.
        moment: Gives a moment of ISO 8601 as a person says it.
    """
    snapshot = reservoir.snapshot
    if snapshot is None or not reservoir.fresh:
        return NextAct(sentence(remedy(reservoir.freshness.sentence(reservoir.cause))))
    return (
        _of_question(snapshot)
        or _of_bench(snapshot)
        or _of_alarms(snapshot, alarms)
        or _of_advice(snapshot.advice)
        or _of_phase(snapshot, moment)
    )


def remedy(fault: str) -> str:
    """Return what is to be done about a fault: what follows the finding, or all of it."""
    return fault.partition(STEP_END)[2] or fault


def _of_question(snapshot: ReservoirSnapshot) -> NextAct | None:
    if snapshot.question is None:
        return None
    if snapshot.question.answered_by:
        return NextAct(
            sentence(f"put the probe back into the water of the batch; {UNPLUG_FIRST}"),
            (sentence("or say that the vessel was refilled"),),
        )
    look = sentence(f"look where the probe is; {UNPLUG_FIRST}")
    return NextAct(sentence(snapshot.question.text), (look,))


def _of_bench(snapshot: ReservoirSnapshot) -> NextAct | None:
    if snapshot.probe_health != Health.FUNCTION_CHECK:
        return None
    done = sentence(f"then put the probe back into the water; {UNPLUG_FIRST}")
    return NextAct("The probe is out for calibration: go on with it, or end it.", (done,))


def _of_alarms(snapshot: ReservoirSnapshot, alarms: Sequence[AlarmView]) -> NextAct | None:
    for alarm in alarms:
        if not alarm.announced:
            continue
        if alarm.name in AS_ADVISED and snapshot.advice:
            return _of_advice(snapshot.advice)
        if alarm.do:
            return NextAct(sentence(alarm.do))
    return None


def _of_advice(advice: str | None) -> NextAct | None:
    if not advice:
        return None
    first, *rest = (sentence(step) for step in advice.split(STEP_END) if step.strip())
    return NextAct(first, tuple(rest))


def _of_phase(snapshot: ReservoirSnapshot, moment: Callable[[str], str]) -> NextAct:
    if snapshot.phase is Phase.DISSOLVING:
        return NextAct(sentence(f"wait{_held_back(snapshot)}"), waits=True)
    if snapshot.phase is Phase.READY and not has_value(snapshot):
        return NextAct("Use none of it before the probe gives a value that can be used.")
    if snapshot.phase is Phase.READY:
        return NextAct(
            sentence(f"use it before {moment(snapshot.use_by)}" if snapshot.use_by else "use it")
        )
    if snapshot.phase is Phase.IDLE and snapshot.start_by is not None:
        due = f" for {snapshot.due}" if snapshot.due else ""
        return NextAct(sentence(f"begin a batch by {moment(snapshot.start_by)}{due}"))
    return OF_PHASE[snapshot.phase]


def _held_back(snapshot: ReservoirSnapshot) -> str:
    """Return what holds the release back, behind a colon; empty where nothing is known of it."""
    parts, note = [*snapshot.held_back_by], snapshot.forecast_note
    # Beside a forecast a note says what release then needs; alone, it gives the same reasons.
    if note and (snapshot.expected_ready_at is not None or not parts):
        parts.append(note)
    return f": {STEP_END.join(parts)}" if parts else " until salinity is steady"
