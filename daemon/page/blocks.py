"""Parts that several pages show: phases, questions, texts cut where they are too long."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import tzinfo

from daemon.entries import Phase
from daemon.local_time import CLOCK, local_iso
from daemon.mixing.station.question_words import question_rows
from daemon.page.labels import phase_words
from daemon.page.view import ReservoirView

AGAIN_S = 10
"""How often a browser loads the page again, s."""
LONGEST = 1000
"""Most characters of any one text; advice with its steps and cautions is some 600."""


@dataclass(frozen=True, slots=True)
class Banner:
    """A sentence at the head of a page.

    Attributes:
        head: In a word or two.
        text: The sentence.
    """

    head: str
    text: str


@dataclass(frozen=True, slots=True)
class PhaseLine:
    """The phase in words, and whether the water is outside its limits or past its use-by."""

    text: str
    outside: bool


def phase_line(reservoir: ReservoirView, *, fresh: bool) -> PhaseLine:
    """Return the phase; whether the water may be used is not known without a fresh reading."""
    phase = None if reservoir.snapshot is None else reservoir.snapshot.phase
    words = short(phase_words(phase))
    if fresh:
        return PhaseLine(words, phase in (Phase.OFF_TARGET, Phase.STALE))
    return PhaseLine(f"Last known: {words.partition(':')[0]}", outside=False)


def question_lines(reservoir: ReservoirView, zone: tzinfo) -> list[tuple[str, str]]:
    """Return what is asked about a suspended batch, as labels and texts; nothing without one."""
    if reservoir.snapshot is None:
        return []
    rows = question_rows(
        reservoir.snapshot,
        lambda moment: local_iso(moment, zone, CLOCK),
        reservoir.settings.name,
    )
    return [(label.capitalize(), text) for label, text in rows]


def short(text: str) -> str:
    """Return a text from elsewhere, with a mark where it is too long for any screen."""
    return text if len(text) <= LONGEST else f"{text[: LONGEST - 1]}…"
