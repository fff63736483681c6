"""What became of a batch: a word, and a shape that says the same without colour.

Of water that is there now they are those of the page of the present.
"""

from __future__ import annotations

from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from enum import StrEnum

from daemon.entries import Phase
from daemon.mixing.batch.batch_record import BatchRecord


class Outcome(StrEnum):
    """What became of a batch, as programs read it."""

    USED = "used"
    USED_UNRELEASED = "used_unreleased"
    DISCARDED = "discarded"
    RELEASED = "released"
    OFF_TARGET = "off_target"
    EXPIRED = "expired"
    VERIFYING = "verifying"
    MIXING = "mixing"
    NO_SALT = "no_salt"
    NO_END = "no_end"
    """Its end is not in the journal, and it is in no reservoir any more."""


@dataclass(frozen=True, slots=True)
class OutcomeLabel:
    """How an outcome is shown.

    Attributes:
        word: In a few words.
        shape: Name of the shape beside it.
        outside: Whether the water is not, or was not, for use.
    """

    word: str
    shape: str
    outside: bool = False


LABELS = {
    Outcome.USED: OutcomeLabel("Used", "basin"),
    Outcome.USED_UNRELEASED: OutcomeLabel("Used without release", "struck-basin", outside=True),
    Outcome.DISCARDED: OutcomeLabel("Discarded", "cross", outside=True),
    Outcome.RELEASED: OutcomeLabel("Released", "ball"),
    Outcome.OFF_TARGET: OutcomeLabel("Off target", "diamond", outside=True),
    Outcome.EXPIRED: OutcomeLabel("Expired", "cut", outside=True),
    Outcome.VERIFYING: OutcomeLabel("Verifying", "half"),
    Outcome.MIXING: OutcomeLabel("Mixing", "glass"),
    Outcome.NO_SALT: OutcomeLabel("No salt yet", "level"),
    Outcome.NO_END: OutcomeLabel("End not recorded", "dashes", outside=True),
}
OF_PHASE = {
    str(Phase.READY): Outcome.RELEASED,
    str(Phase.OFF_TARGET): Outcome.OFF_TARGET,
    str(Phase.STALE): Outcome.EXPIRED,
    str(Phase.VERIFYING): Outcome.VERIFYING,
    str(Phase.DISSOLVING): Outcome.MIXING,
    str(Phase.BLANK): Outcome.NO_SALT,
}


def outcome_of(record: BatchRecord, present: AbstractSet[str]) -> Outcome:
    """Return what became of a batch.

    Args:
        record: The batch.
        present: Ids of those that are in a reservoir now.
    """
    if record.phase == "used":
        return Outcome.USED if record.released else Outcome.USED_UNRELEASED
    if record.phase == "discarded":
        return Outcome.DISCARDED
    if record.id not in present:
        return Outcome.NO_END
    return OF_PHASE.get(record.phase, Outcome.NO_SALT)
