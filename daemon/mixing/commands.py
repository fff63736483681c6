"""What people and automations may ask of the station, checked before it is done.

Each verb is one function: it looks at the state, refuses with a sentence or
changes the state, and returns what to answer and the steps that follow.  The
arguments come from outside and are believed in nothing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from daemon.entries import Phase
from daemon.mixing import batch, lots, release
from daemon.mixing.batch_state import STEADY, SecondReading, Told
from daemon.mixing.lots import Lot
from daemon.mixing.seawater import salinity_from_refractive_index, salinity_from_specific_gravity

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from datetime import datetime

    from daemon.entries import JSON
    from daemon.mixing.batch_state import BatchSettings, BatchState, Step
    from daemon.mixing.level import Level

LONGEST_TEXT = 500
LONGEST_NAME = 40
MAX_PPT = 42.0
MAX_G = 1_000_000.0
MAX_L = 100_000.0
DEFAULT_SECOND_U = 0.25


class Refused(Exception):  # noqa: N818 - named for what is so; its text is the answer
    """The command is not carried out; the text says why and what would do."""


@dataclass(frozen=True, slots=True)
class Asked:
    """One command with all that it may look at.

    Attributes:
        who: Who asks.
        facts: Its arguments, from outside.
        reservoir: Name; empty for the station.
        wall: UTC.
        t_s: Monotonic time, s.
        state: The batch's; changed in place.  None for the station.
        level: Salinity of late; None for the station.
        settings: What the batch has to be; None for the station.
        lots: All lots by name; changed in place.
    """

    who: str
    facts: Mapping[str, JSON]
    reservoir: str
    wall: datetime
    t_s: float
    lots: dict[str, Lot]
    state: BatchState
    level: Level
    settings: BatchSettings


@dataclass(frozen=True, slots=True)
class Done:
    """What was done.

    Attributes:
        answer: One sentence for who asked.
        steps: What follows from it.
    """

    answer: str
    steps: tuple[Step, ...] = ()


def carry_out(verb: str, asked: Asked) -> Done:
    """Do what is asked.

    Raises:
        Refused: It is not done; nothing has changed.
    """
    known = VERBS.get(verb)
    if known is None:
        raise Refused(f"there is no command {verb[:LONGEST_NAME]!r}; known are {', '.join(VERBS)}")
    if verb.startswith("batch.") and not asked.reservoir:
        raise Refused(f"{verb} needs a reservoir")
    extra = sorted(set(asked.facts) - set(known.takes))
    if extra:
        raise Refused(f"{verb} takes no {', '.join(extra)}; it takes {', '.join(known.takes)}")
    try:
        return known.do(asked)
    except ValueError as exc:
        raise Refused(str(exc)) from exc


def _start(asked: Asked) -> Done:
    """Take what is said of the salt, and begin a batch where none is known."""
    state, vessel = asked.state, asked.settings.vessel
    _right_batch(asked)
    if state.phase not in (Phase.IDLE, Phase.BLANK, Phase.DISSOLVING):
        raise Refused(f"batch {state.id} is {state.phase} already; end it before the next begins")
    told = _told(asked, vessel.fill_l, vessel.mix_yield)
    if told is not None and told.lot:
        lots.take(asked.lots[told.lot], told.mass_g)
    steps = []
    if state.phase is Phase.IDLE:
        now = asked.level.now()
        steps = batch.begin(state, now or 0.0, asked.reservoir, asked.wall, asked.t_s)
    state.told = told
    said = "" if told is None else f" with {told.mass_g:g} g in {told.volume_l:g} L"
    return Done(f"batch {state.id} is being mixed{said}", tuple(steps))


def _told(asked: Asked, fill_l: float, mix_yield: float) -> Told | None:
    mass_g = _number(asked, "mass_g", 0.0, MAX_G)
    volume_l = _number(asked, "volume_l", 0.0, MAX_L)
    heel_l = _number(asked, "heel_volume_l", 0.0, MAX_L) or 0.0
    heel = _number(asked, "heel_salinity", 0.0, MAX_PPT) or 0.0
    lot = _text(asked, "lot", LONGEST_NAME)
    if mass_g is None:
        if lot or volume_l is not None:
            raise Refused("mass_g is wanted too: the grams of dry mix that went in")
        return None
    if lot and lot not in asked.lots:
        raise Refused(f"there is no lot {lot!r}; known are {', '.join(asked.lots) or 'none'}")
    whole_l = fill_l if volume_l is None else volume_l
    if not 0.0 <= heel_l < whole_l:
        raise Refused(f"a heel of {heel_l:g} L does not fit into {whole_l:g} L of water")
    known = None if not lot else lots.estimate(asked.lots[lot], asked.t_s)
    value, u = (mix_yield, lots.COMMON_U) if known is None else (known.value, known.u)
    told = Told(mass_g, whole_l, heel * heel_l / whole_l, value, u, lot)
    release.expected(told)
    return told


def _confirm(asked: Asked) -> Done:
    """Take somebody's word that the water is clear and the bottom clean."""
    state = asked.state
    _right_batch(asked)
    if state.phase not in (Phase.VERIFYING, Phase.STALE):
        raise Refused(f"there is nothing to confirm: {_standing(asked)}")
    steps = batch.on_confirmed(state, asked.who, asked.level, asked.t_s, asked.settings)
    return Done(f"confirmed; {_standing(asked)}", tuple(steps))


def _reading(asked: Asked) -> Done:
    """Take what an independent instrument says."""
    state = asked.state
    _right_batch(asked)
    if state.phase not in STEADY:
        raise Refused(f"a second reading counts once the water is steady: {_standing(asked)}")
    state.second = _second(asked)
    apart = release.disagreement(state)
    steps = []
    if state.phase in (Phase.VERIFYING, Phase.OFF_TARGET):
        steps = release.judge(state, asked.t_s, asked.settings)
    said = apart or "it agrees with the probe"
    return Done(f"{state.second.salinity:.2f} ppt taken; {said}; {_standing(asked)}", tuple(steps))


def _second(asked: Asked) -> SecondReading:
    salinity = _number(asked, "salinity", 0.0, MAX_PPT)
    gravity = _number(asked, "specific_gravity", 0.9, 1.1)
    index = _number(asked, "refractive_index", 1.3, 1.4)
    temperature = _number(asked, "temperature_C", 0.0, 40.0)
    u = _number(asked, "u_ppt", 0.001, 10.0) or DEFAULT_SECOND_U
    if sum(each is not None for each in (salinity, gravity, index)) != 1:
        raise Refused("one of salinity, specific_gravity and refractive_index is wanted")
    if gravity is not None:
        at = 25.0 if temperature is None else temperature
        salinity = salinity_from_specific_gravity(gravity, at, at)
    if index is not None:
        if temperature is None:
            raise Refused("a refractive index needs temperature_C, the sample's temperature")
        salinity = salinity_from_refractive_index(index, temperature)
    name = _text(asked, "instrument", LONGEST_NAME) or "the second instrument"
    return SecondReading(salinity or 0.0, u, name)


def _note(asked: Asked) -> Done:
    """Write a remark into the batch's record."""
    _right_batch(asked)
    if not _text(asked, "text", LONGEST_TEXT):
        raise Refused("a note needs a text")
    return Done("noted")


def _use(asked: Asked) -> Done:
    """Note that some or all of the batch was taken for use."""
    state = asked.state
    _right_batch(asked)
    if state.phase is not Phase.READY:
        raise Refused(f"only a released batch may be used: {_standing(asked)}")
    litres = _number(asked, "volume_l", 0.0, MAX_L)
    volume_l = asked.settings.vessel.fill_l if state.told is None else state.told.volume_l
    name = state.id
    if litres is not None and state.used_l + litres < volume_l:
        state.used_l += litres
        return Done(f"{litres:g} L of {name} used, about {volume_l - state.used_l:g} L left")
    return Done(f"batch {name} is used", tuple(batch.end(state, "used", asked.who)))


def _discard(asked: Asked) -> Done:
    """End the batch without using it."""
    _right_batch(asked)
    name = asked.state.id
    return Done(f"batch {name} is discarded", tuple(batch.end(asked.state, "discarded", asked.who)))


def _add_lot(asked: Asked) -> Done:
    """Take a new lot of dry mix into the books."""
    name = _text(asked, "name", LONGEST_NAME)
    if name in asked.lots:
        raise Refused(f"there is a lot {name!r} already; choose another name, or adjust that one")
    bought_g = _number(asked, "bought_g", 0.0, MAX_G)
    left_g = _number(asked, "left_g", 0.0, MAX_G)
    asked.lots[name] = Lot(
        name=name,
        number=_text(asked, "number", LONGEST_NAME),
        bought_g=bought_g,
        left_g=bought_g if left_g is None else left_g,
        opened_on=_text(asked, "opened_on", LONGEST_NAME) or None,
        label_yield=_number(asked, "label_yield", 0.5, 1.0),
    )
    return Done(f"lot {name} added")


def _adjust_lot(asked: Asked) -> Done:
    """Correct what the books say of a lot."""
    name = _text(asked, "name", LONGEST_NAME)
    if name not in asked.lots:
        raise Refused(f"there is no lot {name!r}; known are {', '.join(asked.lots) or 'none'}")
    lot = asked.lots[name]
    left_g = _number(asked, "left_g", 0.0, MAX_G)
    label = _number(asked, "label_yield", 0.5, 1.0)
    changed = Lot(
        name,
        _text(asked, "number", LONGEST_NAME) or lot.number,
        lot.bought_g,
        lot.left_g,
        _text(asked, "opened_on", LONGEST_NAME) or lot.opened_on,
        lot.label_yield if label is None else label,
        lot.weighings,
    )
    if left_g is not None:
        lots.set_left(changed, left_g)
    asked.lots[name] = changed
    left = "unknown" if changed.left_g is None else f"{changed.left_g:g} g"
    return Done(f"lot {name}: {left} left")


@dataclass(frozen=True, slots=True)
class Verb:
    """One thing that may be asked: what does it, and the arguments that it takes."""

    do: Callable[[Asked], Done]
    takes: tuple[str, ...]


VERBS: dict[str, Verb] = {
    "batch.start": Verb(
        _start, ("batch", "mass_g", "volume_l", "heel_volume_l", "heel_salinity", "lot")
    ),
    "batch.confirm": Verb(_confirm, ("batch",)),
    "batch.reading": Verb(
        _reading,
        (
            "batch",
            "salinity",
            "specific_gravity",
            "refractive_index",
            "temperature_C",
            "u_ppt",
            "instrument",
        ),
    ),
    "batch.note": Verb(_note, ("batch", "text")),
    "batch.use": Verb(_use, ("batch", "volume_l")),
    "batch.discard": Verb(_discard, ("batch", "why")),
    "lot.add": Verb(_add_lot, ("name", "number", "bought_g", "left_g", "opened_on", "label_yield")),
    "lot.adjust": Verb(_adjust_lot, ("name", "number", "left_g", "opened_on", "label_yield")),
}


def _right_batch(asked: Asked) -> None:
    """Refuse a command about a batch that is not the present one."""
    named = _text(asked, "batch", LONGEST_NAME)
    state = asked.state
    if named and named in state.ended:
        raise Refused(f"batch {named} was {state.ended[named]} already")
    if named and named != state.id:
        raise Refused(f"there is no batch {named!r} in {asked.reservoir}: {_standing(asked)}")


def _standing(asked: Asked) -> str:
    state = asked.state
    if not state.id:
        return f"no batch is known in {asked.reservoir}"
    waits = f", {state.advice}" if state.phase is Phase.VERIFYING and state.advice else ""
    return f"batch {state.id} is {state.phase}{waits}"


def _number(asked: Asked, name: str, low: float, high: float) -> float | None:
    value = asked.facts.get(name)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise Refused(f"{name} = {str(value)[:LONGEST_NAME]!r} is not a number")
    if not low <= value <= high:
        raise Refused(f"{name} = {value:g} is outside {low:g} to {high:g}")
    return float(value)


def _text(asked: Asked, name: str, longest: int) -> str:
    value = asked.facts.get(name)
    if value is None:
        return ""
    if not isinstance(value, str) or len(value) > longest:
        raise Refused(f"{name} must be a text of at most {longest} characters")
    return "".join(sign for sign in value if sign.isprintable()).strip()
