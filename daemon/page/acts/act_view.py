"""The page of acts: what can be done now, grouped by reservoir, a waiting question first."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import tzinfo

from daemon.local_time import local_iso
from daemon.page.acts import offers
from daemon.page.acts.forms import STATION, Form, place_of
from daemon.page.acts.kinds import KINDS
from daemon.page.acts.offers import Offer
from daemon.page.blocks import phase_line, question_lines
from daemon.page.healthz import staleness
from daemon.page.labels import alarm_words
from daemon.page.view import AlarmView, ReservoirView, StationView

NO_BATCH_ACT = "Nothing can be done here now: what may be done follows the phase"

MakeForms = Callable[[Iterable[Offer]], list[Form]]
"""Gives the forms of those offers that may be sent."""


@dataclass(frozen=True, slots=True)
class AlarmActs:
    """An alarm and what can be done about it.

    Attributes:
        name: In words.
        details: Its priority and state, who acted on it, and until when.
        why: Why it was raised.
        do: What to do.
        announced: Whether it is raised and neither shelved nor suppressed nor out of service.
        forms: The forms.
    """

    name: str
    details: str
    why: str
    do: str
    announced: bool
    forms: list[Form]


@dataclass(frozen=True, slots=True)
class ActGroup:
    """Forms that belong together, and whose answer is shown with them.

    Attributes:
        title: What they are about.
        place: Where their answer is shown.
        rows: Labels and texts that belong to them.
        first: The likely one; None where none is likelier than the others.
        others: The others.
        alarms: Alarms, each with its own.
    """

    title: str
    place: str
    rows: list[tuple[str, str]] = field(default_factory=list)
    first: Form | None = None
    others: list[Form] = field(default_factory=list)
    alarms: list[AlarmActs] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class PlaceNow:
    """What is shown live of a reservoir, or of the station, beside forms that stay as they are.

    Attributes:
        state: Its phase in words; empty for the station.
        old: Why nothing that is measured is of now; empty where it is.
        digest: Of what can be done there; another one where that has changed.
    """

    state: str
    old: str
    digest: str


@dataclass(frozen=True, slots=True)
class PlaceActs:
    """A reservoir, or the station, with what can be done there.

    Attributes:
        key: Of its element on the page.
        title: Its name.
        now: What is shown live of it.
        groups: What can be done.
        nothing: What is said where that is nothing.
    """

    key: str
    title: str
    now: PlaceNow
    groups: list[ActGroup] = field(default_factory=list)
    nothing: str = NO_BATCH_ACT


def place_acts(view: StationView, forms: MakeForms) -> list[PlaceActs]:
    """Return what can be done at each reservoir and at the station.

    Args:
        view: What there is.
        forms: Gives the forms of offers.
    """
    now = places_now(view)
    places = [_reservoir(each, view, forms, now) for each in view.reservoirs]
    own = [*_alarms(view, "", forms), *_lots(view, forms)]
    station = PlaceActs(STATION, "The station", now[STATION], own)
    return [*places, station] if own else places


def places_now(view: StationView) -> dict[str, PlaceNow]:
    """Return what is shown live of each reservoir and of the station, by key."""
    now = {}
    for each in view.reservoirs:
        name = each.settings.name
        old = "" if view.trouble else staleness(each)
        state = ""
        if each.snapshot is not None:
            state = phase_line(each, fresh=not old and not view.trouble).text
        possible = [*offers.of_question(each), *offers.of_batch(each), *_of_alarms(view, name)]
        now[name] = PlaceNow(state, old, _digest(possible))
    return now | {STATION: PlaceNow("", "", _digest(_of_alarms(view, "")))}


def _of_alarms(view: StationView, reservoir: str) -> list[Offer]:
    own = [each for each in view.alarms if each.reservoir == reservoir]
    return [offer for each in own for offer in offers.of_alarm(each)]


def _digest(possible: Iterable[Offer]) -> str:
    words = [f"{each.kind} {sorted(each.about.items())} {each.since}" for each in possible]
    return hashlib.sha256("\n".join(words).encode("utf-8", "replace")).hexdigest()[:12]


def all_places(acts: Iterable[PlaceActs]) -> set[str]:
    """Return every place at which an answer can be shown."""
    return {group.place for each in acts for group in each.groups}


def _reservoir(
    reservoir: ReservoirView, view: StationView, forms: MakeForms, now: Mapping[str, PlaceNow]
) -> PlaceActs:
    name = reservoir.settings.name
    groups = [
        *_question(reservoir, view.zone, forms),
        *_batch(reservoir, forms),
        *_alarms(view, name, forms),
    ]
    return PlaceActs(name, reservoir.settings.title, now[name], groups)


def _question(reservoir: ReservoirView, zone: tzinfo, forms: MakeForms) -> list[ActGroup]:
    if reservoir.snapshot is None or reservoir.snapshot.question is None:
        return []
    place = place_of(KINDS["answer"], reservoir.settings.name)
    made = forms(offers.of_question(reservoir))
    rows = question_lines(reservoir, zone)
    if made:
        rows = rows[:-1]  # the buttons answer, in place of the command
    return [ActGroup("A question waits", place, rows, others=made)]


def _batch(reservoir: ReservoirView, forms: MakeForms) -> list[ActGroup]:
    made = forms(offers.of_batch(reservoir))
    if not made:
        return []
    batch = reservoir.snapshot.batch if reservoir.snapshot else ""
    waits = reservoir.snapshot is not None and reservoir.snapshot.question is not None
    likely = made[0].kind not in offers.WITHOUT_READING and not waits
    first, others = (made[0], made[1:]) if likely else (None, made)
    title = f"Batch {batch}" if batch else "No batch yet"
    return [ActGroup(title, made[0].place, [], first, others)]


def _alarms(view: StationView, reservoir: str, forms: MakeForms) -> list[ActGroup]:
    own = [each for each in view.alarms if each.reservoir == reservoir]
    acts = [_alarm(each, view.zone, forms(offers.of_alarm(each))) for each in own]
    acts = [each for each in acts if each.forms]
    if not acts:
        return []
    place = acts[0].forms[0].place
    every = forms(offers.of_alarms(view.alarms, reservoir))
    return [ActGroup("Alarms", place, others=every, alarms=acts)]


def _alarm(alarm: AlarmView, zone: tzinfo, forms: list[Form]) -> AlarmActs:
    by = f"by {alarm.who}" if alarm.who else ""
    until = f"until {local_iso(alarm.until, zone)}" if alarm.until else ""
    words = (alarm.priority, alarm_words(alarm.state), by, until, alarm.reason)
    return AlarmActs(
        alarm.name.replace("-", " "),
        ", ".join(each for each in words if each),
        alarm.why,
        alarm.do,
        alarm.announced,
        forms,
    )


def _lots(view: StationView, forms: MakeForms) -> list[ActGroup]:
    made = forms(offers.of_lots(view))
    return [ActGroup("Lots of mix", made[0].place, others=made)] if made else []
