"""What came to whom entries are published to, beside what the journal holds."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a person holds beside what the journal holds.

    Attributes:
        entries: In the journal.
        missing: Numbers that never came.
        foreign: Numbers that came and are not in the journal, or say something else there.
        disordered: Numbers whose first coming was after a later one's.
        doubled: How many messages came again.
        batches: How many batches the journal tells of.
    """

    entries: int
    missing: tuple[int, ...]
    foreign: tuple[int, ...]
    disordered: tuple[int, ...]
    doubled: int
    batches: int

    @property
    def good(self) -> bool:
        """Whether all came, as it was, in order."""
        return not (self.missing or self.foreign or self.disordered)
