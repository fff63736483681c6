"""Parts that several pages show: sentences at their head, phases, alarms, questions."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import tzinfo

from daemon.entries import Phase
from daemon.local_time import CLOCK, local_iso
from daemon.mixing.station.question_words import question_rows
from daemon.page.labels import alarm_words, phase_words
from daemon.page.view import AlarmView, ReservoirView, StationView

AGAIN_S = 10
"""How often a browser loads the page again, s."""
LONGEST = 1000
"""Most characters of any one text; advice with its steps and cautions is some 600."""


@dataclass(frozen=True, slots=True)
class Banner:
    """A sentence at the head of the page.

    Attributes:
        head: In a word or two.
        text: The sentence.
        next_url: Where a browser goes next without a click; empty where it stays.
        after_s: When it goes there, s.
    """

    head: str
    text: str
    next_url: str = ""
    after_s: int = AGAIN_S


@dataclass(frozen=True, slots=True)
class PhaseLine:
    """The phase in words, and whether the water is outside its limits or past its use-by."""

    text: str
    outside: bool


@dataclass(frozen=True, slots=True)
class AlarmBlock:
    """An alarm as the page shows it.

    Attributes:
        name: In words.
        announced: Whether it is raised and neither shelved nor suppressed nor out of service.
        details: Priority, state, by whom, until when and why, in a line.
        why: The reason it was raised for.
        do: What to do.
    """

    name: str
    announced: bool
    details: str
    why: str
    do: str


def trouble_banner(view: StationView) -> Banner | None:
    """Return why the journal cannot be read; None where it can."""
    if not view.trouble:
        return None
    return Banner("The journal cannot be read", short(view.trouble))


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


def alarm_block(alarm: AlarmView, zone: tzinfo) -> AlarmBlock:
    """Return an alarm with why it is there and what to do."""
    until = f"until {local_iso(alarm.until, zone)}" if alarm.until else ""
    by = f"by {alarm.who}" if alarm.who else ""
    words = (alarm.priority, alarm_words(alarm.state), by, until, alarm.reason)
    details = ", ".join(word for word in words if word)
    if not alarm.announced and alarm.active:
        details += "; its condition is active"
    return AlarmBlock(
        short(alarm.name.replace("-", " ")),
        alarm.announced,
        short(details),
        short(alarm.why),
        short(alarm.do),
    )


def short(text: str) -> str:
    """Return a text from elsewhere, with a mark where it is too long for any screen."""
    return text if len(text) <= LONGEST else f"{text[: LONGEST - 1]}…"
