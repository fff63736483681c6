"""A verdict as a word and a shape, never by colour alone."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Mark:
    """A word beside a shape.

    Attributes:
        word: What it says.
        shape: "ring", "disc", "half", "diamond", "cross" or "dots".
        tone: "inside", "caution", "outside" or "quiet"; says nothing that the others do not.
    """

    word: str
    shape: str
    tone: str


_UNKNOWN = Mark("Unknown", "ring", "quiet")
VERDICTS = {
    "accepted": Mark("Accepted", "disc", "inside"),
    "warning": Mark("Accepted with a warning", "half", "caution"),
    "held": Mark("Held: contradicts the one in force", "diamond", "caution"),
    "refused": Mark("Refused", "cross", "outside"),
    "agrees": Mark("Agrees", "disc", "inside"),
    "disagrees": Mark("Does not agree", "cross", "outside"),
    "returned": Mark("Older one in force again", "ring", "quiet"),
    "taken": Mark("Held one put in force", "disc", "inside"),
    "dropped": Mark("Held one dropped", "cross", "quiet"),
}
OUTCOMES = {
    "accept": Mark("In order", "disc", "inside"),
    "accept_with_warning": Mark("In order, with a warning", "half", "caution"),
    "hold": Mark("Contradicts the calibration in force", "diamond", "caution"),
    "refuse": Mark("Not in order", "cross", "outside"),
}
SETTLING = {
    "waiting": Mark("Waiting for the probe", "dots", "quiet"),
    "settling": Mark("Settling", "half", "caution"),
    "settled": Mark("Settled", "disc", "inside"),
    "silent": Mark("The probe is silent", "cross", "outside"),
}


def verdict_mark(verdict: str) -> Mark:
    """Return the mark of a record's verdict."""
    return VERDICTS.get(verdict, _UNKNOWN)


def outcome_mark(outcome: str, kind: str) -> Mark:
    """Return the mark of a verdict before anything is saved.

    Args:
        outcome: Of the verdict.
        kind: "calibration", or "check", whose warning is that the probe does not agree.
    """
    if kind == "check" and outcome == "accept_with_warning":
        return Mark("Does not agree", "cross", "outside")
    if kind == "check" and outcome == "accept":
        return Mark("Agrees", "disc", "inside")
    return OUTCOMES.get(outcome, _UNKNOWN)


def settling_mark(state: str) -> Mark:
    """Return the mark of how a point settles."""
    return SETTLING.get(state, _UNKNOWN)
