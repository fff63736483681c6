"""Phases, alarm states, probe health and the quality of a reading as a person reads them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from daemon.entries import Flag, Phase
from daemon.mixing.alarm.alarm_state import LifecycleState
from daemon.mixing.cautions import INDEPENDENT_CHECK
from daemon.mixing.probe.quality import in_words
from daemon.mixing.probe.status_signal import Health


@dataclass(frozen=True, slots=True)
class PhaseText:
    """A phase as a person reads it.

    Attributes:
        word: A word or two, to be read from afar.
        sentence: What it means, without its full stop.
    """

    word: str
    sentence: str


PHASES = {
    Phase.IDLE: PhaseText("No batch", "none is known"),
    Phase.BLANK: PhaseText("No salt yet", "purified water, no salt in it"),
    Phase.DISSOLVING: PhaseText("Mixing", "salinity is not steady yet, not to be used"),
    Phase.VERIFYING: PhaseText(
        "Verifying", "steady, but release conditions are not all met yet; not to be used"
    ),
    Phase.READY: PhaseText("Released", f"may be used; {INDEPENDENT_CHECK}"),
    Phase.OFF_TARGET: PhaseText("Off target", "steady outside the limits, not to be used"),
    Phase.STALE: PhaseText("Expired", "not to be used before it has been verified again"),
}
QUALITIES = {
    Flag.PASS: "",
    Flag.NOT_EVALUATED: "not every test could be made",
    Flag.SUSPECT: "suspect",
    Flag.FAIL: "failed its quality tests",
    Flag.MISSING: "the probe gives no value",
}


ALARMS = {
    LifecycleState.UNACKNOWLEDGED: "unacknowledged",
    LifecycleState.ACKNOWLEDGED: "acknowledged",
    LifecycleState.RETURNED_UNACKNOWLEDGED: "returned unacknowledged",
    LifecycleState.SHELVED: "shelved",
    LifecycleState.SUPPRESSED_BY_DESIGN: "suppressed by design",
    LifecycleState.OUT_OF_SERVICE: "out of service",
}


def alarm_words(state: object) -> str:
    """Return the state of an alarm as ISA-18.2 calls it; one that is not known as it is."""
    try:
        return ALARMS[LifecycleState(str(state))]
    except (ValueError, KeyError):
        return str(state)


def health_words(health: str) -> str:
    """Return the NE 107 status of a probe; without any signal it is normal."""
    return "normal" if health == Health.NORMAL else health


def phase_words(phase: object) -> str:
    """Return a phase as a sentence; one that is not known as it is."""
    try:
        text = PHASES[Phase(str(phase))]
    except ValueError:
        return str(phase)
    return f"{text.word}: {text.sentence}"


def quality_words(flag: object, figures: Mapping[str, str]) -> str:
    """Return what is to be said of a reading's flag, and of the tests behind it; empty for none."""
    try:
        words = QUALITIES[Flag(int(str(flag)))]
    except ValueError:
        return f"flag {flag}"
    found = in_words(figures, figures)
    return f"{words}: {found}" if words and found else words or found


def sentence(text: str) -> str:
    """Return a text as a sentence; one that begins with a name such as ct-1 keeps its letter."""
    text = " ".join(text.split())
    if text.partition(" ")[0].strip(",;:'").isalpha():
        text = text[:1].upper() + text[1:]
    return text + ("" if text.endswith((".", "!", "?")) else ".")
