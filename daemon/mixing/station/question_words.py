"""What a person is asked about a suspended batch, in words, from a snapshot."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

    from daemon.mixing.station.snapshot import QuestionSnapshot, ReservoirSnapshot

COMMAND = "brinewright batch answer"
OUT = "probe-out"
"""The answer after which nothing is asked any more."""


def question_rows(
    snapshot: ReservoirSnapshot, clock: Callable[[str], str], reservoir: str = ""
) -> list[tuple[str, str]]:
    """Return labels and texts: since when the batch is suspended and why, and what answers it.

    Args:
        snapshot: Of the reservoir.
        clock: Gives the time of day of a moment in ISO 8601.
        reservoir: What the command must name; empty where there is no other.

    Returns:
        Nothing for a batch that is not suspended.
    """
    waiting = snapshot.question
    if waiting is None:
        return []
    rows = [("suspended", f"since {clock(waiting.since)}: {waiting.why}")]
    if waiting.answered_by:
        rows += [("answered", f"{waiting.answered_by} says that the probe is out of the water")]
    else:
        rows += [("question", waiting.text)]
    return [*rows, ("answer with", answer_command(waiting, reservoir))]


def answer_command(waiting: QuestionSnapshot, reservoir: str = "") -> str:
    """Return the command that answers, with the answers that are still of use; empty for none.

    Args:
        waiting: The question.
        reservoir: What the command must name; empty where there is no other.
    """
    useful = [each for each in waiting.answers if not waiting.answered_by or each != OUT]
    if not useful:
        return ""
    named = f"{COMMAND} --reservoir {reservoir}" if reservoir else COMMAND
    *others, last = useful
    return f"{named} {', '.join(others)} or {last}" if others else f"{named} {last}"
