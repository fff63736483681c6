"""What became of a batch: a word, and a shape that says the same without colour.

Of water that is there now they are those of the page of the present.
"""

from __future__ import annotations

from collections.abc import Mapping
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

from daemon.entries import Phase
from daemon.mixing.batch.batch_record import BatchRecord
from daemon.records.batch_index import use_by_of


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


@dataclass(frozen=True, slots=True)
class Present:
    """What is there now.

    Attributes:
        batches: Ids of the batches that are in a reservoir.
        at: This moment, UTC.
        use_within_h: Hours from release to use-by, by the name of the reservoir.
    """

    batches: AbstractSet[str]
    at: datetime
    use_within_h: Mapping[str, float | None] = field(default_factory=dict)


def outcome_of(record: BatchRecord, present: Present) -> Outcome:
    """Return what became of a batch; past its use-by it is expired, whoever has noticed.

    Args:
        record: The batch.
        present: What is there now.
    """
    if record.phase == "used":
        return Outcome.USED if record.released else Outcome.USED_UNRELEASED
    if record.phase == "discarded":
        return Outcome.DISCARDED
    if record.id not in present.batches:
        return Outcome.NO_END
    until = use_by_of(record, present.use_within_h.get(record.reservoir))
    if record.phase == Phase.READY and until is not None and until <= present.at:
        return Outcome.EXPIRED
    return OF_PHASE.get(record.phase, Outcome.NO_SALT)
