"""What begins a decision, in words, and for how long it has gone on."""

from __future__ import annotations

BEGINNINGS = {
    "salt": "salt came",
    "water": "water came",
    "drift": "salinity drifted away",
    "pump": "the pump started again",
}
"""By the cause of a decision; without one only the watching began."""


def since_words(began_by: str, passed_s: float) -> str:
    """Return for how short a time a decision has gone on, and since what."""
    minutes, what = whole_minutes(passed_s), BEGINNINGS.get(began_by)
    return f"only {minutes} min since {what}" if what else f"watched for only {minutes} min"


def whole_minutes(passed_s: float) -> int:
    """Return minutes as they are said; what has just begun has lasted for one."""
    return max(1, round(passed_s / 60.0))
