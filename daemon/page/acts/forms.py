"""Forms for the commands that make sense now: a page of their own, which does not reload.

Each form carries an id made for it, so that one sent twice is carried out once, and the
batch that it was made for, so that an old one does nothing to the next.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass, field

from daemon.entries import Phase
from daemon.journal.command_format import LONGEST_WHO
from daemon.local_time import SECOND, local
from daemon.mixing.alarm.alarm_state import (
    UNACKNOWLEDGED_STATES,
    UNSUPPRESSED_STATES,
    LifecycleState,
)
from daemon.mixing.alarm.transitions import LONGEST_SHELF_S
from daemon.mixing.station.commands.context import LONGEST_TEXT
from daemon.page.blocks import (
    AlarmBlock,
    Banner,
    PhaseLine,
    alarm_block,
    phase_line,
    question_lines,
    trouble_banner,
)
from daemon.page.frame import Frame, Page, rendered
from daemon.page.healthz import staleness
from daemon.page.view import AlarmView, ReservoirView, StationView


@dataclass(frozen=True, slots=True)
class Field:
    """One thing to fill in.

    Attributes:
        label: What to fill in.
        name: Of the argument; empty where only a tick is needed.
        kind: "text", "number" or "confirm".
        required: Whether it may stay empty.
        most: Greatest number, or most letters; None for no bound.
    """

    label: str
    name: str = ""
    kind: str = "text"
    required: bool = True
    most: float | None = LONGEST_TEXT


HOURS = Field("For how many hours", "hours", "number", most=round(LONGEST_SHELF_S / 3600.0))
REASON = Field("Reason", "reason")
LITRES = Field(
    "Litres; all that is left when empty", "volume_l", "number", required=False, most=None
)
NOTE = Field("Note", "text")
WHY = Field("Reason", "why", required=False)
CONFIRMATION = Field("This ends the batch without using it", kind="confirm")


ANSWERS = {
    "probe-out": "The probe is out of the water",
    "same-water": "The probe is in the water of the batch",
    "refilled": "The vessel was refilled",
}
"""What the buttons of the answers about the place of the probe say."""


@dataclass(frozen=True, slots=True)
class Offer:
    """One command that may be sent now.

    Attributes:
        verb: Of the command.
        button: What its button says.
        reservoir: For which; empty for the station.
        about: Name and value of its alarm or batch.
        fields: To be filled in.
        answer: That it gives to a question; empty for other commands.
    """

    verb: str
    button: str
    reservoir: str
    about: tuple[str, str]
    fields: tuple[Field, ...] = ()
    answer: str = ""


@dataclass(frozen=True, slots=True)
class Form:
    """An offer as HTML has it: hidden fields, fields to fill in, and the button."""

    hidden: dict[str, str]
    fields: tuple[Field, ...]
    button: str


@dataclass(frozen=True, slots=True)
class ReservoirForms:
    """A reservoir with its alarms, the forms for each of them and for its batch, and a question."""

    name: str
    notice: Banner | None
    alarms: list[tuple[AlarmBlock, list[Form]]]
    phase: PhaseLine | None
    forms: list[Form] = field(default_factory=list)
    question: list[tuple[str, str]] = field(default_factory=list)


def act_page(
    view: StationView, allowed: Collection[str], secret: str, make_id: Callable[[], str]
) -> str:
    """Return the page of forms.

    Args:
        view: What there is to act on.
        allowed: Verbs that may be sent.
        secret: What each form carries to be known as ours.
        make_id: Gives an id unlike any other.
    """

    def forms(offers: Iterable[Offer]) -> list[Form]:
        return [_form(each, secret, make_id()) for each in offers if each.verb in allowed]

    def of_alarms(reservoir: str) -> list[tuple[AlarmBlock, list[Form]]]:
        own = [each for each in view.alarms if each.reservoir == reservoir]
        return [(alarm_block(each, view.zone), forms(about_alarm(each))) for each in own]

    trouble = trouble_banner(view)
    reservoirs = []
    for reservoir in view.reservoirs:
        name, old = reservoir.settings.name, "" if trouble else staleness(reservoir)
        reservoirs.append(
            ReservoirForms(
                name,
                Banner("Commands may have to wait", old) if old else None,
                of_alarms(name),
                phase_line(reservoir, fresh=not old) if reservoir.snapshot else None,
                forms(about_batch(reservoir)),
                question_lines(reservoir, view.zone),
            )
        )
    return rendered(
        Frame(view.title or view.station, acts=True),
        Page("act.html", "Acts", "/act", styles=("now.css",)),
        notices=[trouble] if trouble else [],
        alarms=of_alarms(""),
        reservoirs=reservoirs,
        at=local(view.at, view.zone, SECOND),
        longest_who=LONGEST_WHO,
    )


def about_alarm(alarm: AlarmView) -> list[Offer]:
    """Return the commands that an alarm's state allows."""
    try:
        state = LifecycleState(alarm.state)
    except ValueError:
        return []
    place, about = alarm.reservoir, ("name", alarm.name)
    offers = []
    if state in UNACKNOWLEDGED_STATES:
        offers.append(Offer("alarm.acknowledge", "Acknowledge", place, about))
    if state in (*UNSUPPRESSED_STATES, LifecycleState.SUPPRESSED_BY_DESIGN):
        offers.append(Offer("alarm.shelve", "Shelve", place, about, (HOURS, REASON)))
    if state is LifecycleState.SHELVED:
        offers.append(Offer("alarm.unshelve", "Unshelve", place, about))
    return offers


def about_batch(reservoir: ReservoirView) -> list[Offer]:
    """Return the commands that a batch allows; without a fresh reading, only a note."""
    name = reservoir.settings.name
    if reservoir.snapshot is None or not reservoir.snapshot.batch:
        return []
    batch, phase = reservoir.snapshot.batch, reservoir.snapshot.phase
    about = ("batch", batch)
    question = reservoir.snapshot.question
    offers = [
        Offer("batch.answer", button, name, about, answer=answer)
        for answer, button in ANSWERS.items()
        if question is not None and answer in question.answers
    ]
    if reservoir.fresh and phase in (Phase.VERIFYING, Phase.STALE):
        button = "Confirm: the water is clear and nothing lies on the bottom"
        offers.append(Offer("batch.confirm", button, name, about))
    if reservoir.fresh and phase == Phase.READY:
        offers.append(Offer("batch.use", "Record as used", name, about, (LITRES,)))
    offers.append(Offer("batch.note", "Add note", name, about, (NOTE,)))
    if reservoir.fresh:
        offers.append(Offer("batch.discard", f"Discard {batch}", name, about, (WHY, CONFIRMATION)))
    return offers


def _form(offer: Offer, secret: str, id_: str) -> Form:
    hidden = {
        "token": secret,
        "id": id_,
        "verb": offer.verb,
        "reservoir": offer.reservoir,
        offer.about[0]: offer.about[1],
    }
    if offer.answer:
        hidden["answer"] = offer.answer
    return Form(hidden, offer.fields, offer.button)
