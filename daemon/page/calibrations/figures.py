"""Figures of calibrations as a person reads them: ± is the expanded uncertainty, k = 2."""

from __future__ import annotations

from daemon.mixing.probe_events import Adjustment, ComparedPoint

K = 2.0
"""Coverage factor."""


def error_text(point: ComparedPoint) -> str:
    """Return the error at a point with its expanded uncertainty."""
    if point.error_percent is None:
        return f"{point.error_mS_cm:+z.3f} ± {K * point.u_mS_cm:.3f} mS/cm"
    share = 100.0 * K * point.u_mS_cm / point.reference_mS_cm if point.reference_mS_cm else 0.0
    return f"{point.error_percent:+z.2f} ± {share:.2f} %"


def factor_text(adjustment: Adjustment) -> str:
    """Return a cell constant with its expanded uncertainty."""
    return f"× {adjustment.factor:.4f} ± {K * adjustment.factor_u:.4f}"


def zero_text(adjustment: Adjustment) -> str:
    """Return a zero with its expanded uncertainty."""
    return f"{adjustment.zero_mS_cm:+z.3f} ± {K * adjustment.zero_u_mS_cm:.3f} mS/cm"


def offset_text(adjustment: Adjustment) -> str:
    """Return the offset of a thermometer with its expanded uncertainty."""
    return f"{adjustment.offset_C:+z.2f} ± {K * adjustment.offset_u_C:.2f} °C"


def factor_percent_text(adjustment: Adjustment) -> str:
    """Return the expanded uncertainty of a cell constant, %."""
    return f"± {100.0 * K * adjustment.factor_u / adjustment.factor:.2f} %"
