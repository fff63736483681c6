"""The tests by name, the outcome of one, and the one rule that merges their flags."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TypeAlias

from daemon.entries import Flag

TESTS = (
    "gap",
    "syntax",
    "location",
    "gross_range",
    "scale",
    "expected_band",
    "spike",
    "rate_of_change",
    "flat_line",
    "multi_variate",
    "attenuated_signal",
    "neighbour",
    "immersion",
)
FURTHER = frozenset(
    {"location", "expected_band", "multi_variate", "attenuated_signal", "neighbour"}
)
"""Tests that need more than one probe's own readings, or water at rest.

Where one of them could not be made it says so, and the reading is judged by the others: a lone
probe would never pass.  What one of them finds counts like anything else.
"""
CALIBRATING = "calibrating"
"""Marks a reading of a probe that is out of the water for calibration; no test of its value."""

PASS, NOT_EVALUATED, SUSPECT, FAIL = Flag.PASS, Flag.NOT_EVALUATED, Flag.SUSPECT, Flag.FAIL
"""Names of their own: to look one up in `Flag` takes longer than to compare it."""
Outcome: TypeAlias = tuple[Flag, str]
"""The flag of a test, and the figure behind it, in words; empty unless suspect or failed."""
PASSED: Outcome = (PASS, "")
UNTESTED: Outcome = (NOT_EVALUATED, "")


def worst(tests: Mapping[str, Flag]) -> Flag:
    """Return the worst flag; a reading without a test is not evaluated."""
    found: Flag | None = None
    for name, flag in tests.items():
        if flag is NOT_EVALUATED and name in FURTHER:
            continue
        if found is None or flag > found:
            found = flag
    return NOT_EVALUATED if found is None else found


def in_words(tests: Iterable[str], figures: Mapping[str, str]) -> str:
    """Return tests in words, each with the figure behind it in brackets where there is one."""
    named = ((name.replace("_", " "), figures.get(name, "")) for name in tests)
    return ", ".join(f"{name} ({figure})" if figure else name for name, figure in named)
