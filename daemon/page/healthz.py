"""Whether measuring goes on, in one sentence; for a monitor of the machine."""

from __future__ import annotations

from daemon.page.view import ReservoirView, StationView


def health(view: StationView) -> tuple[bool, str]:
    """Return whether every reservoir has a fresh reading, and that as a sentence.

    A probe that is read and gives no value is for an alarm to report, not for this.
    """
    if view.trouble:
        return False, view.trouble
    old = [sentence for each in view.reservoirs if (sentence := staleness(each))]
    if old:
        return False, "; ".join(old)
    return True, "measuring goes on"


def staleness(reservoir: ReservoirView) -> str:
    """Return what is wrong with the age of a reservoir's last reading; empty if nothing is."""
    name, age_s = reservoir.settings.name, reservoir.age_s
    if reservoir.fresh:
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
