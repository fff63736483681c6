"""The state of a reservoir as a word, a shape and a sentence, to be read from two metres.

The shapes are meant as day shapes on a mast are: told apart by their outline alone.  Only one of
them is whole and round, and it belongs to water that may be used now.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from daemon.entries import Flag, Phase
from daemon.page.healthz import staleness
from daemon.page.labels import PHASES

if TYPE_CHECKING:
    from daemon.mixing.station.snapshot import ReservoirSnapshot
    from daemon.page.view import ReservoirView


@dataclass(frozen=True, slots=True)
class StateSign:
    """What stands largest beside the salinity.

    Attributes:
        word: The state, in a word or two.
        shape: Name of its shape.
        sentence: What it means, without its full stop.
        tone: How it is coloured beside its word and its shape: "plain", "strong" for water that
            is not to be used, "caution" for what nobody knows.
    """

    word: str
    shape: str
    sentence: str
    tone: str = "plain"


SHAPES = {
    Phase.IDLE: "ring",
    Phase.BLANK: "level",
    Phase.DISSOLVING: "glass",
    Phase.VERIFYING: "half",
    Phase.READY: "ball",
    Phase.OFF_TARGET: "diamond",
    Phase.STALE: "cut",
}
STRONG = (Phase.OFF_TARGET, Phase.STALE)
SUSPENDED = StateSign(
    "Suspended", "cone", "The probe may not be in the water of the batch, not to be used", "caution"
)
OLD, NEVER = "Old reading", "No reading"
BROKEN = "broken"
"""The shape of what is not known now."""
NO_VALUE = "the probe gives no value that can be used now"


def state_sign(reservoir: ReservoirView, trouble: str = "") -> StateSign:
    """Return the sign of a reservoir; nothing good is said of what is not known now.

    Args:
        reservoir: As the journal has it.
        trouble: Why the journal cannot be read; empty where it can.
    """
    snapshot = reservoir.snapshot
    if snapshot is None:
        why = "The journal cannot be read" if trouble else "Nothing has been measured yet"
        return StateSign(NEVER, BROKEN, why, "caution")
    if staleness(reservoir):
        return StateSign(OLD, BROKEN, f"Last known: {word_of(snapshot)}", "caution")
    if snapshot.question is not None:
        return SUSPENDED
    phase, text = snapshot.phase, PHASES[snapshot.phase]
    if phase is Phase.READY and not has_value(snapshot):
        return StateSign(text.word, "half", f"Released before, but {NO_VALUE}", "caution")
    tone = "strong" if phase in STRONG else "plain"
    meaning = f"{text.sentence[:1].upper()}{text.sentence[1:]}"
    return StateSign(text.word, SHAPES[phase], meaning, tone)


def word_of(snapshot: ReservoirSnapshot) -> str:
    """Return the state of a snapshot in a word or two, whatever its age."""
    return PHASES[snapshot.phase].word if snapshot.question is None else SUSPENDED.word


def has_value(snapshot: ReservoirSnapshot) -> bool:
    """Return whether the reading has a salinity that can be used."""
    return snapshot.salinity is not None and snapshot.flag not in (Flag.FAIL, Flag.MISSING)
