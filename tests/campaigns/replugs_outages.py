"""What came of transports that went and came back, as rows of a table."""

from __future__ import annotations

import statistics
from dataclasses import dataclass, field

from tests.parts.driver_stages import PERIOD_S

LIMIT_PERIODS = 2.0
GIVE_UP_S = 30 * PERIOD_S


@dataclass
class Outages:
    """What came of the outages of one transport.

    Attributes:
        name: Of the transport.
        took: Periods from each return to the first value.
        wrong: Values that nobody said.
    """

    name: str
    took: list[float] = field(default_factory=list)
    wrong: int = 0

    @property
    def slow(self) -> int:
        """How many took longer than they may."""
        return sum(each > LIMIT_PERIODS for each in self.took)

    def row(self) -> str:
        """A line of the table."""
        took = sorted(self.took)
        figures = (statistics.median(took), took[int(0.9 * len(took))], took[-1])
        return (
            f"{self.name:<28}{len(took):>6}"
            + "".join(f"{each:>9.2f}" for each in figures)
            + f"{self.slow:>6}{self.wrong:>7}"
        )


HEADING = (
    f"{'transport':<28}{'times':>6}{'median':>9}{'90 %':>9}{'longest':>9}{'slow':>6}{'wrong':>7}"
)
