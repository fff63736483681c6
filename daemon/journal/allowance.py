"""How many commands may come by one way, so that a flood neither fills the inbox nor the card."""

from __future__ import annotations

from dataclasses import dataclass, field

PER_MINUTE = 20
BURST = 40
TOO_MANY = f"{BURST} commands at once and {PER_MINUTE} a minute are taken; send it again later"


@dataclass(slots=True)
class Allowance:
    """So many at once, and so many a minute in the long run.

    Attributes:
        burst: At once.
        per_s: In the long run.
    """

    burst: float = float(BURST)
    per_s: float = PER_MINUTE / 60.0
    _left: float = field(init=False)
    _at_s: float | None = field(default=None, init=False)

    def __post_init__(self) -> None:
        """Begin with all that may come at once."""
        self._left = self.burst

    def take(self, now_s: float) -> bool:
        """Take one if there is one."""
        if not self.has_one(now_s):
            return False
        self._left -= 1.0
        return True

    def has_one(self, now_s: float) -> bool:
        """Return whether there is one to take."""
        since_s = 0.0 if self._at_s is None else max(0.0, now_s - self._at_s)
        self._left = min(self.burst, self._left + since_s * self.per_s)
        self._at_s = now_s
        return self._left >= 1.0
