"""Forms for what makes sense now: a page of its own, which does not load again under the typing.

Each form carries an id made for it, so that one sent twice is carried out once, and the batch
that it was shown for, so that an old one does nothing to the next.
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
from daemon.page.healthz import staleness
from daemon.page.status_page import (
    AlarmBlock,
    Notice,
    PhaseLine,
    alarm_block,
    phase_line,
    template,
    trouble_notice,
)
from daemon.page.view import Present, Seen, Shown


@dataclass(frozen=True, slots=True)
class Field:
    """One thing to fill in.

    Attributes:
        label: What is asked for.
        name: Of the argument; empty where only a tick is asked for.
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
SURELY = Field("This ends the batch without using it", kind="confirm")


@dataclass(frozen=True, slots=True)
class Offer:
    """One command that may be sent now.

    Attributes:
        verb: Of the command.
        button: What its button says.
        reservoir: About which; empty for the station.
        about: Name and value of what it is about: an alarm or a batch.
        fields: To be filled in.
    """

    verb: str
    button: str
    reservoir: str
    about: tuple[str, str]
    fields: tuple[Field, ...] = ()


@dataclass(frozen=True, slots=True)
class Form:
    """An offer as it is shown: hidden fields, fields to fill in, and the button."""

    hidden: dict[str, str]
    fields: tuple[Field, ...]
    button: str


@dataclass(frozen=True, slots=True)
class ReservoirForms:
    """A reservoir with its alarms and what may be done about each, and about its batch."""

    name: str
    notice: Notice | None
    alarms: list[tuple[AlarmBlock, list[Form]]]
    phase: PhaseLine | None
    forms: list[Form] = field(default_factory=list)


def act_page(
    present: Present, allowed: Collection[str], secret: str, make_id: Callable[[], str]
) -> str:
    """Return the page of forms.

    Args:
        present: What there is to act on.
        allowed: Verbs that may be sent.
        secret: What each form carries to be known as ours.
        make_id: Gives an id unlike any other.
    """

    def forms(offers: Iterable[Offer]) -> list[Form]:
        return [_form(each, secret, make_id()) for each in offers if each.verb in allowed]

    def of_alarms(reservoir: str) -> list[tuple[AlarmBlock, list[Form]]]:
        own = [each for each in present.alarms if each.reservoir == reservoir]
        return [(alarm_block(each, present.zone), forms(about_alarm(each))) for each in own]

    trouble = trouble_notice(present)
    reservoirs = []
    for seen in present.reservoirs:
        name, old = seen.expected.name, "" if trouble else staleness(seen)
        reservoirs.append(
            ReservoirForms(
                name,
                Notice("Commands may have to wait", old) if old else None,
                of_alarms(name),
                phase_line(seen, fresh=not old) if seen.snapshot else None,
                forms(about_batch(seen)),
            )
        )
    return template("act.html").render(
        station=present.station,
        notices=[trouble] if trouble else [],
        alarms=of_alarms(""),
        reservoirs=reservoirs,
        at=local(present.at, present.zone, SECOND),
        longest_who=LONGEST_WHO,
    )


def about_alarm(alarm: Shown) -> list[Offer]:
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


def about_batch(seen: Seen) -> list[Offer]:
    """Return what may be done about a batch; of one that nobody measures, only a note."""
    name = seen.expected.name
    if seen.snapshot is None or not seen.snapshot.batch:
        return []
    batch, phase = seen.snapshot.batch, seen.snapshot.phase
    about, offers = ("batch", batch), []
    if seen.fresh and phase in (Phase.VERIFYING, Phase.STALE):
        button = "Confirm: the water is clear and nothing lies on the bottom"
        offers.append(Offer("batch.confirm", button, name, about))
    if seen.fresh and phase == Phase.READY:
        offers.append(Offer("batch.use", "Record as used", name, about, (LITRES,)))
    offers.append(Offer("batch.note", "Add note", name, about, (NOTE,)))
    if seen.fresh:
        offers.append(Offer("batch.discard", f"Discard {batch}", name, about, (WHY, SURELY)))
    return offers


def _form(offer: Offer, secret: str, id_: str) -> Form:
    hidden = {
        "token": secret,
        "id": id_,
        "verb": offer.verb,
        "reservoir": offer.reservoir,
        offer.about[0]: offer.about[1],
    }
    return Form(hidden, offer.fields, offer.button)
