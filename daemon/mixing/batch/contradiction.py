"""A second reading that contradicts a release: asked for again, and not ignored.

One mistyped figure must not take a good batch back, and a true contradiction must not stay without
effect.  So the first reading that contradicts warns at once and asks for another; a second one that
agrees with it takes the release back, as does the time when none comes.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.entries import Phase
from daemon.mixing.batch.batch_state import Advice
from daemon.mixing.batch.release import SURE, disagreement, reconsider, set_advice
from daemon.mixing.events import AdviceGiven, Happening
from daemon.mixing.seawater.uncertainty import combine

if TYPE_CHECKING:
    from daemon.mixing.batch.batch_state import BatchSettings, BatchState, SecondReading

UNANSWERED_S = 600.0
"""How long a release that is contradicted stands without another reading, s; our own choice.

Long enough to read an instrument again, too short for a water change.
"""
ABSURD_PPT = 5.0
"""From here on a reading is rather a slip of digit or unit than water, ppt; our own choice."""
CONTRADICTED = "contradicted"


def why_absurd(state: BatchState, second: SecondReading) -> str:
    """Return why a reading looks mistyped, by what the probe reads; empty where it does not.

    Empty too where nobody knows what the probe reads.
    """
    salinity = state.judgement.salinity
    if salinity is None or abs(second.salinity - salinity) <= ABSURD_PPT:
        return ""
    return (
        f"{second.instrument} reads {second.salinity:.2f} ppt and the probe {salinity:.2f}: is a"
        " digit or a unit mistyped?"
    )


def on_reading_of_released(
    state: BatchState, before: SecondReading | None, t_s: float, settings: BatchSettings
) -> list[Happening]:
    """Take the second reading of a released batch, which is in its state already.

    Args:
        state: Changed in place.
        before: The reading before this one; None for none.
        t_s: Monotonic time, s.
        settings: What the batch has to be.
    """
    if not disagreement(state):
        if state.contradicted_s is not None:
            state.contradicted_s, state.advice = None, Advice()
        return []
    if state.contradicted_s is not None and _agree(before, state.second):
        return reconsider(state, t_s, settings)
    if state.contradicted_s is None:
        state.contradicted_s = t_s
    text = f"{disagreement(state)}; use none of it, read again and enter what you read: {OUTCOMES}"
    return set_advice(state, CONTRADICTED, AdviceGiven(text))


OUTCOMES = (
    "a reading that agrees with the probe keeps the release, the same again takes it back at once,"
    f" and none takes it back after {UNANSWERED_S / 60.0:.0f} min"
)


def on_time(state: BatchState, t_s: float, settings: BatchSettings) -> list[Happening]:
    """Take a release back that was contradicted, where no other reading has come in time."""
    since_s = state.contradicted_s
    if since_s is None or state.phase is not Phase.READY or t_s - since_s < UNANSWERED_S:
        return []
    state.contradicted_s = None
    if not disagreement(state):
        # The water has come to read what the other instrument said.
        state.advice = Advice()
        return []
    return reconsider(state, t_s, settings)


def _agree(one: SecondReading | None, other: SecondReading | None) -> bool:
    """Return whether two readings say the same, as far as both are worth."""
    if one is None or other is None:
        return False
    return abs(one.salinity - other.salinity) <= SURE * combine(one.u, other.u)
