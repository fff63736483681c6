"""What stands on a reference solution in hand: its lot, its tolerance and its dates."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum


class Tolerance(StrEnum):
    """What the figure after a ± on a bottle means."""

    COVERAGE_2 = "k = 2"
    LIMITS = "limits"


def check_date(text: str, of: str) -> None:
    """Refuse what is no date.

    Raises:
        ValueError: It is none; the text says how to write one.
    """
    try:
        date.fromisoformat(text)
    except ValueError as error:
        raise ValueError(
            f"the date {text!r} of {of} cannot be read; write it as year-month-day, 2026-03-02"
        ) from error


@dataclass(frozen=True, slots=True)
class ReferenceSolution:
    """The bottle in hand.

    Attributes:
        lot: As printed on it.
        tolerance_percent: The figure after the ±, % of the value.
        tolerance: What that figure means; "limits" where the label does not say.
        expiry: Last day of use, ISO 8601 date; empty where not printed.
        opened_on: ISO 8601 date; empty while sealed.
        keeps_days: How long it may be used once opened; None where not stated.
        certificate: Number or name of its certificate, for traceability.
    """

    lot: str
    tolerance_percent: float
    tolerance: Tolerance = Tolerance.LIMITS
    expiry: str = ""
    opened_on: str = ""
    keeps_days: int | None = None
    certificate: str = ""

    def __post_init__(self) -> None:
        """Refuse a tolerance or a date that is none."""
        if not 0.0 < self.tolerance_percent < 100.0:  # noqa: PLR2004 - percent
            raise ValueError(f"the tolerance of lot {self.lot} must be above 0 and below 100 %")
        for text in filter(None, (self.expiry, self.opened_on)):
            check_date(text, f"lot {self.lot}")

    @property
    def relative_u(self) -> float:
        """Relative standard uncertainty of its value."""
        divisor = 2.0 if self.tolerance is Tolerance.COVERAGE_2 else math.sqrt(3.0)
        return self.tolerance_percent / 100.0 / divisor

    def last_day(self) -> date | None:
        """Return the last day on which it may be used; None where nothing is stated."""
        days = []
        if self.expiry:
            days.append(date.fromisoformat(self.expiry))
        if self.opened_on and self.keeps_days is not None:
            days.append(date.fromisoformat(self.opened_on) + timedelta(days=self.keeps_days))
        return min(days, default=None)
