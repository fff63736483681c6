"""Where a salinity lies about its tolerance interval, as plain geometry that a template draws.

Inside the interval the mark is grey and round, outside it square and in the strong colour, and
the words beside it say the same.
"""

from __future__ import annotations

from dataclasses import dataclass

WIDTH, HEIGHT = 360.0, 40.0
EDGE = 6.0
SCALE_TOLERANCES = 3.0
"""The scale reaches this many tolerances to each side of the target."""
BASE = 14.0


@dataclass(frozen=True, slots=True)
class Gauge:
    """A strip with the tolerance interval, the target and the salinity.

    Attributes:
        low: Place of the lower tolerance limit.
        high: Of the upper.
        target: Of the target.
        value: Of the salinity; at the edge where it is beyond the scale.
        left: Of the lower end of its expanded uncertainty.
        right: Of the upper.
        limits: The two limits as they are written, ppt.
        inside: Whether the salinity lies within the limits.
        words: The same as a sentence.
    """

    low: float
    high: float
    target: float
    value: float
    left: float
    right: float
    limits: tuple[str, str]
    inside: bool
    words: str
    width: float = WIDTH
    height: float = HEIGHT
    base: float = BASE


def gauge(
    salinity: float | None, expanded_u: float | None, target_ppt: float, tolerance_ppt: float
) -> Gauge | None:
    """Return the strip of a salinity; None where there is no salinity or no interval.

    Args:
        salinity: Practical salinity.
        expanded_u: Its expanded uncertainty, k = 2; None where not known.
        target_ppt: Target.
        tolerance_ppt: Half of the tolerance interval.
    """
    if salinity is None or not tolerance_ppt > 0.0 or not abs(salinity) < float("inf"):
        return None
    span = SCALE_TOLERANCES * tolerance_ppt

    def x(value: float) -> float:
        share = (value - target_ppt + span) / (2.0 * span)
        return round(EDGE + min(max(share, 0.0), 1.0) * (WIDTH - 2.0 * EDGE), 1)

    low, high = target_ppt - tolerance_ppt, target_ppt + tolerance_ppt
    half = expanded_u if expanded_u is not None and abs(expanded_u) < float("inf") else 0.0
    inside = low <= salinity <= high
    interval = f"{low:g} to {high:g} ppt"
    words = f"within {interval}" if inside else f"outside {interval}"
    return Gauge(
        x(low),
        x(high),
        x(target_ppt),
        x(salinity),
        x(salinity - half),
        x(salinity + half),
        (f"{low:g}", f"{high:g}"),
        inside,
        words,
    )
