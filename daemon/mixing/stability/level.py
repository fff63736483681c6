"""The robust short-term level of salinity, and what it is worth: ten-second bins.

Bubbles, spikes and the sampling rate are left behind here, so that what
follows reasons about water and not about readings.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from statistics import median, quantiles

BIN_S = 10.0
KEEP = 30
NOW_BINS = 3
MOVED_PPT, SIDE_BINS = 0.1, 12
"""What salinity moves in the few minutes kept while it is plainly not settled, and the bins of
each side that are compared."""


@dataclass(slots=True)
class Level:
    """Bins of good salinity, oldest first.

    Attributes:
        bin_start_s: Start of the bin that is being filled; None before any.
        filling: Salinities in it.
        times_s: Middle of each closed bin, s.
        medians: Median practical salinity of each closed bin.
        filling_u: Largest standard uncertainty of those in the bin that is being filled;
            None before any.
        uncertainties: The same of each closed bin.
    """

    bin_start_s: float | None = None
    filling: list[float] = field(default_factory=list)
    times_s: list[float] = field(default_factory=list)
    medians: list[float] = field(default_factory=list)
    filling_u: float | None = None
    uncertainties: list[float | None] = field(default_factory=list)

    def advance(self, t_s: float, salinity: float | None, u: float | None = None) -> bool:
        """Take one salinity and say whether a bin closed.

        Args:
            t_s: Monotonic time, s.
            salinity: Practical salinity; None when it cannot be used.
            u: Its standard uncertainty; None where nobody knows it.
        """
        closed = False
        if self.bin_start_s is None:
            self.bin_start_s = t_s
        elif t_s - self.bin_start_s >= BIN_S:
            closed = self._close()
            self.bin_start_s = t_s
        if salinity is not None:
            self.filling.append(salinity)
            if u is not None:
                self.filling_u = u if self.filling_u is None else max(u, self.filling_u)
        return closed

    def _close(self) -> bool:
        if not self.filling or self.bin_start_s is None:
            return False
        self.times_s.append(self.bin_start_s + BIN_S / 2)
        self.medians.append(median(self.filling))
        self.uncertainties.append(self.filling_u)
        self.filling.clear()
        self.filling_u = None
        del self.times_s[:-KEEP], self.medians[:-KEEP], self.uncertainties[:-KEEP]
        return True

    def now(self) -> float | None:
        """Median of the last three bins; None while there are fewer."""
        if len(self.medians) < NOW_BINS:
            return None
        return sorted(self.medians[-NOW_BINS:])[NOW_BINS // 2]

    def last(self, count: int) -> list[float]:
        """Return the last `count` bins; empty while there are fewer."""
        return self.medians[-count:] if len(self.medians) >= count else []

    def since(self, t_s: float) -> list[float]:
        """Return the bins of `t_s` and later; empty while there are fewer than three."""
        recent = [value for at, value in zip(self.times_s, self.medians, strict=True) if at >= t_s]
        return recent if len(recent) >= NOW_BINS else []

    def u_since(self, t_s: float) -> float | None:
        """Return the largest standard uncertainty of the bins of `t_s` and later.

        None where no bin is so new, or the worth of one of them is not known: what is
        not known must not be taken for certain.
        """
        every = [u for at, u in zip(self.times_s, self.uncertainties, strict=True) if at >= t_s]
        known = [u for u in every if u is not None]
        return max(known) if known and len(known) == len(every) else None

    def quartiles(self) -> tuple[float, float]:
        """Lower and upper quartile of the bins kept; needs two bins at least."""
        low, _, high = quantiles(self.medians, n=4, method="inclusive")
        return low, high

    def forget_since(self, t_s: float) -> None:
        """Forget the bins of `t_s` and later, e.g. because they were of other water."""
        kept = sum(at < t_s for at in self.times_s)
        del self.times_s[kept:], self.medians[kept:], self.uncertainties[kept:]
        self.filling.clear()
        self.filling_u = None

    def moving(self) -> bool:
        """Say whether salinity has plainly moved in the few minutes that are kept."""
        if len(self.medians) < 2 * SIDE_BINS:
            return False
        # Bubbles only ever lower it, so the highest of each side is what the water did.
        return abs(max(self.medians[-SIDE_BINS:]) - max(self.medians[:SIDE_BINS])) >= MOVED_PPT

    def clear(self) -> None:
        """Forget all bins, e.g. because other water is in the vessel."""
        self.bin_start_s = None
        self.filling.clear()
        self.times_s.clear()
        self.medians.clear()
        self.filling_u = None
        self.uncertainties.clear()
