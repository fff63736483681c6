"""Phases, alarms and the quality of a reading in words for whoever stands before the page."""

from __future__ import annotations

from daemon.entries import Flag, Phase
from daemon.mixing.alarm.transitions import Life
from daemon.mixing.cautions import INDEPENDENT_CHECK

PHASES = {
    Phase.IDLE: "No batch is known",
    Phase.BLANK: "Purified water, no salt in it yet",
    Phase.DISSOLVING: "Mixing: salinity is still on its way",
    Phase.VERIFYING: "Steady, not yet proven inside or outside the limits",
    Phase.READY: f"Released: may be used; {INDEPENDENT_CHECK}",
    Phase.OFF_TARGET: "Steady but outside the limits: not to be used",
    Phase.STALE: "Expired: not to be used as it is",
}
QUALITIES = {
    Flag.PASS: "",
    Flag.NOT_EVALUATED: "not every test could be made",
    Flag.SUSPECT: "suspect",
    Flag.FAIL: "failed its quality tests",
    Flag.MISSING: "the probe gives no value",
}


ALARMS = {
    Life.UNACKNOWLEDGED: "nobody has acknowledged it yet",
    Life.ACKNOWLEDGED: "acknowledged",
    Life.RETURNED: "over by itself; nobody had acknowledged it",
    Life.SHELVED: "put aside for a time",
    Life.SUPPRESSED: "withheld while its cause is known",
    Life.OUT_OF_SERVICE: "taken out of service",
}


def alarm_words(state: object) -> str:
    """Return where an alarm stands; a state that is not known as it stands."""
    try:
        return ALARMS[Life(str(state))]
    except (ValueError, KeyError):
        return str(state)


def phase_words(phase: object) -> str:
    """Return a phase as a sentence; one that is not known as it stands."""
    try:
        return PHASES[Phase(str(phase))]
    except ValueError:
        return str(phase)


def quality_words(flag: object) -> str:
    """Return what is to be said of a reading's flag; empty where nothing is."""
    try:
        return QUALITIES[Flag(int(str(flag)))]
    except ValueError:
        return f"flag {flag}"
