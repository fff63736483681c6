"""Whether measuring goes on, in one sentence; for whatever watches over the machine."""

from __future__ import annotations

from daemon.page.view import Present, Seen


def health(present: Present) -> tuple[bool, str]:
    """Return whether every reservoir has a reading of now, and that as a sentence.

    A probe that is read and gives nothing is an alarm's business and not said here.
    """
    if present.trouble:
        return False, present.trouble
    old = [told for each in present.reservoirs if (told := staleness(each))]
    if old:
        return False, "; ".join(old)
    return True, "measuring goes on"


def staleness(seen: Seen) -> str:
    """Return what is wrong with the age of a reservoir's last reading; empty if nothing is."""
    name, age_s = seen.expected.name, seen.age_s
    if seen.fresh:
        return ""
    if age_s is None:
        return f"{name}: no reading yet; is 'brinewright run' running?"
    if age_s < 0:
        return f"{name}: the last reading is {span(-age_s)} ahead of the clock; check the clock"
    return f"{name}: the last reading is {span(age_s)} old; is 'brinewright run' running?"


def span(duration_s: float) -> str:
    """Return a duration in the unit that a person would choose."""
    for unit, size_s in (("days", 86_400.0), ("h", 3600.0), ("min", 60.0)):
        if duration_s >= 2 * size_s:
            return f"{duration_s / size_s:.0f} {unit}"
    return f"{duration_s:.0f} s"
