"""What a story showed, counted."""

from __future__ import annotations

from dataclasses import dataclass, field, fields


@dataclass(slots=True)
class Marks:
    """Counts of one story or of many.

    Attributes:
        stories: How many.
        unprepared: Stories whose batch did not come to where hands were to find it.
        ended: Batches ended though the same water was there.
        started: Batches begun though no new water was prepared.
        aged: Waters whose age was reset, or that were ready beyond their use-by.
        released: Releases while the probe was not in that water.
        outside: Waters that were ready while the probe read them outside the limits.
        dropped: Waters that the probe read outside the limits after `batch-off-target` had gone.
        refills: Refills, with a word or without.
        noticed: Of these, noticed in time.
        askable: Refills that were uncertain for long enough to be asked about.
        asked: Of these, asked about before.
        aways: How often the probe left a batch with salt for a quarter of an hour.
        withheld: Of these, asked about by then and not ready.
        returns: How often the same water came back to the probe.
        returned: Of these, the batch went on within the hour with no question left.
        ordinary: Batches with nothing unusual.
        needless: Of these, with a question.
        books: Waters that are gone.
        kept: Of these, whose batch ended right.
        questions: How many were asked, needed or not.
        rejected: Answers that the station rejected.
        faults: One sentence for each thing that went wrong.
    """

    stories: int = 0
    unprepared: int = 0
    ended: int = 0
    started: int = 0
    aged: int = 0
    released: int = 0
    outside: int = 0
    dropped: int = 0
    refills: int = 0
    noticed: int = 0
    askable: int = 0
    asked: int = 0
    aways: int = 0
    withheld: int = 0
    returns: int = 0
    returned: int = 0
    ordinary: int = 0
    needless: int = 0
    books: int = 0
    kept: int = 0
    questions: int = 0
    rejected: int = 0
    faults: list[str] = field(default_factory=list)

    def add(self, other: Marks) -> None:
        """Add the counts of another story."""
        for each in fields(self):
            setattr(self, each.name, getattr(self, each.name) + getattr(other, each.name))
