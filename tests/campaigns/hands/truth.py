"""What is true of the water and of the probe, kept apart from what the station says."""

from __future__ import annotations

from dataclasses import dataclass, field

GONE_SHARE = 0.42
"""Of a full vessel: with no more than this left, a refill is other water."""


@dataclass(slots=True)
class Water:
    """One filling of the vessel, from the purified water on.

    Attributes:
        number: Counted from 1.
        since_s: When it began to run in, simulated seconds.
        batch: The batch that the station has for it; empty before there is one.
        began_s: When that began, or when the water came to a batch that ran already.
        others: Batches that the station began for it wrongly.
        salted_s: When salt was first poured; None before.
        released_s: When the station first released it; None before.
        gone_s: When it was drained or used; None while it is there.
        how: What the keeper said of its end, "used" or "discarded"; empty for nothing.
        by_word: Whether the keeper reports its end.
        blended: Whether a half of it was replaced, so that either identity is right.
        ended_s: When its batch ended; None before.
        ended_how: How.
    """

    number: int
    since_s: float
    batch: str = ""
    began_s: float | None = None
    others: list[str] = field(default_factory=list)
    salted_s: float | None = None
    released_s: float | None = None
    gone_s: float | None = None
    how: str = ""
    by_word: bool = False
    blended: bool = False
    ended_s: float | None = None
    ended_how: str = ""

    def must_end(self) -> str:
        """Return how its batch must end: as said, or used when it was ever released."""
        return self.how or ("discarded" if self.released_s is None else "used")


@dataclass(slots=True)
class Refill:
    """Water that replaced the water before it.

    Attributes:
        old: The water that was there.
        new: The water that came; the same as `old` where only a half was replaced.
        drained_s: When the draining began.
        gradual: Whether the probe was in the water all the while, so that it could be followed.
        rest_s: When the new water was in and mixed; None before.
        salt_s: When salt came to it; None before.
        asked_s: When a question first stood after the draining began; None for never.
        told_s: When the station first said that the water changed; None for never.
    """

    old: Water
    new: Water
    drained_s: float
    gradual: bool
    rest_s: float | None = None
    salt_s: float | None = None
    asked_s: float | None = None
    told_s: float | None = None

    def due_s(self) -> float | None:
        """Return from when it is certain; None before.

        What could be followed is so when it rests, unless a person was asked about it: then, as
        where it could not be followed, when salt comes.
        """
        followed = self.gradual and (self.asked_s is None or self.salt_s is None)
        return self.rest_s if followed else self.salt_s


@dataclass(slots=True)
class Truth:
    """All waters of a story.

    Attributes:
        waters: Oldest first.
        refills: Oldest first.
        current: What is in the vessel; None for nothing that was prepared.
    """

    waters: list[Water] = field(default_factory=list)
    refills: list[Refill] = field(default_factory=list)
    current: Water | None = None

    def prepare(self, t_s: float) -> Water:
        """Begin new water in place of what was there."""
        self.current = Water(len(self.waters) + 1, t_s)
        self.waters.append(self.current)
        return self.current

    def owner(self, batch: str) -> Water | None:
        """Return the water that a batch is of; None for a batch of no water."""
        if not batch:
            return None
        for water in reversed(self.waters):
            if batch == water.batch or batch in water.others:
                return water
        return None

    def take_away(self, t_s: float, *, by_word: bool) -> None:
        """Take the present water as gone, or as on its way out of the vessel."""
        water = self.current
        if water is not None and water.gone_s is None:
            water.gone_s, water.by_word = t_s, by_word
