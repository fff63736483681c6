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
    wrong = reservoir.freshness.sentence(reservoir.cause)
    return f"{reservoir.settings.name}: {wrong}" if wrong else ""
