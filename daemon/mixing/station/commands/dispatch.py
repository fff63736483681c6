"""What people and automations may ask of the station, checked before it is done.

Each verb is one function: it looks at the state, refuses with a sentence or
changes the state, and returns what to answer and the steps that follow.  The
arguments come from outside and are believed in nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from daemon.entries import Phase
from daemon.mixing.batch import lifecycle, lots, release, verification
from daemon.mixing.batch.lots import Lot
from daemon.mixing.batch.state import STEADY, SecondReading, Told
from daemon.mixing.cautions import INDEPENDENT_CHECK
from daemon.mixing.seawater.gravity_check import refuse_gravity
from daemon.mixing.seawater.hydrometer import parse_pair, salinity_from_hydrometer
from daemon.mixing.seawater.properties import salinity_from_refractive_index
from daemon.mixing.station.commands.alarm import ALARM
from daemon.mixing.station.commands.calibration import CALIBRATE
from daemon.mixing.station.commands.context import (
    LONGEST_NAME,
    LONGEST_TEXT,
    Asked,
    Done,
    Refused,
    number,
    shown,
    text,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from daemon.mixing.events import Happening

__all__ = ["VERBS", "Asked", "Done", "Refused", "carry_out"]

MAX_PPT = 42.0
MAX_G = 1_000_000.0
MAX_L = 100_000.0
MIN_L = 0.1
MAX_LOTS = 1_000
NAMED_LOTS = 12
OVER_SHARE = 1.1
"""A vessel is filled by a mark; a tenth more than was told may come out of it."""
DEFAULT_SECOND_U = 0.25
"""Standard uncertainty of a hand instrument, ppt; common practice, no source: half a division."""

PAIR_NEEDED = (
    "a specific gravity needs hydrometer, the pair of temperatures printed on the instrument (such"
    " as 25/25 or 20/4 in °C, or 60/60F), and temperature_C, the water's own temperature: by the"
    " pair alone instruments differ by up to 3.8 ppt"
)

INSTRUMENTS = {
    "specific_gravity": "the hydrometer",
    "refractive_index": "the refractive index",
    "": "the second instrument",
}
"""What a second instrument is called, by what it reads, where nobody names it."""


def carry_out(verb: str, asked: Asked) -> Done:
    """Do what is asked.

    Raises:
        Refused: It is not done; nothing has changed.
    """
    known = VERBS.get(verb)
    if known is None:
        raise Refused(f"there is no command {verb[:LONGEST_NAME]!r}; known are {', '.join(VERBS)}")
    if verb.startswith(("batch.", "calibrate.")) and not asked.reservoir:
        raise Refused(f"{verb} needs a reservoir")
    extra = sorted(set(asked.facts) - set(known.takes))
    if extra:
        names = ", ".join(shown(name) for name in extra[:3])
        raise Refused(f"{verb} takes no {names}; it takes {', '.join(known.takes)}")
    try:
        return known.do(asked)
    except (ValueError, ArithmeticError) as exc:
        raise Refused(str(exc)) from exc


def _start(asked: Asked) -> Done:
    """Take what is said of the salt, and begin a batch where none is known.

    Said again before release, it corrects what was said before.
    """
    state = asked.state
    _right_batch(asked)
    if state.phase in (Phase.READY, Phase.STALE):
        raise Refused(f"batch {state.id} is {state.phase} already; end it before the next begins")
    told = _told(asked)
    if told is None and state.phase in (Phase.VERIFYING, Phase.OFF_TARGET):
        raise Refused(f"batch {state.id} is {state.phase} already; mass_g corrects what was told")
    steps: list[Happening] = []
    if state.phase is Phase.IDLE:
        steps = lifecycle.begin(
            state, asked.level, asked.t_s, asked.reservoir, asked.wall, asked.settings
        )
    if told is not None:
        _book(asked, told)
    if state.phase in (Phase.VERIFYING, Phase.OFF_TARGET):
        steps = release.judge(state, asked.t_s, asked.settings)
        return Done(f"told anew{_said(told)}; {_standing(asked)}", tuple(steps))
    return Done(f"batch {state.id} is being mixed{_said(told)}", tuple(steps))


def _said(told: Told | None) -> str:
    if told is None:
        return ""
    unknown = (
        ""
        if told.holds
        else " (the water before it was not measured, so it is not compared with what is found;"
        " heel_volume_l and heel_salinity, both 0 for purified water alone, would tell)"
    )
    return f" with {told.mass_g:g} g in {told.volume_l:g} L{unknown}"


def _book(asked: Asked, told: Told) -> None:
    """Take the mass from its lot, and give back what was taken for an earlier telling."""
    state = asked.state
    before = state.told
    if before is not None and before.lot in asked.lots:
        _give_back(asked.lots[before.lot], before.taken_g)
    if told.lot:
        lot = asked.lots[told.lot]
        left_g = lot.left_g
        lots.take(lot, told.mass_g)
        if left_g is not None and lot.left_g is not None:
            told.taken_g = left_g - lot.left_g
        state.lot = told.lot
    state.told = told


def _give_back(lot: Lot, grams: float) -> None:
    if lot.left_g is not None:
        most_g = MAX_G if lot.bought_g is None else lot.bought_g
        lots.set_left(lot, min(lot.left_g + grams, most_g))


def _told(asked: Asked) -> Told | None:
    """Return what is told of the salt, or None when nothing is."""
    vessel = asked.settings.vessel
    mass_g = number(asked, "mass_g", 0.0, MAX_G)
    volume_l = number(asked, "volume_l", MIN_L, MAX_L)
    lot = text(asked, "lot", LONGEST_NAME)
    whole_l = vessel.fill_l if volume_l is None else volume_l
    seen = _before(asked, whole_l)
    if mass_g is None:
        if lot or volume_l is not None or "heel_volume_l" in asked.facts:
            raise Refused("mass_g is wanted too: all grams of dry mix that went in")
        return None
    if lot:
        known = lots.estimate(_lot(asked, lot), asked.t_s)
        told = Told(mass_g, whole_l, seen or 0.0, known.value, known.u, lot)
    else:
        told = Told(mass_g, whole_l, seen or 0.0, vessel.mix_yield, lots.COMMON_U)
    # What was in the water that nobody measured says nothing of the salt that came.
    told.holds = told.teaches = seen is not None
    release.expected(told)
    return told


def _before(asked: Asked, whole_l: float) -> float | None:
    """Return the practical salinity before the salt: of the heel told, else as it was measured.

    None where no heel was given and no reading showed the water.
    """
    heel_l = number(asked, "heel_volume_l", 0.0, MAX_L)
    heel = number(asked, "heel_salinity", 0.0, MAX_PPT)
    refuse_gravity(heel_salinity=heel)
    if heel_l is None and heel is None:
        rested = asked.state.rest_level
        seen = asked.level.now() if rested is None else rested
        return 0.0 if seen is not None and seen <= asked.settings.blank_max_ppt else seen
    if heel_l is None or heel is None:
        raise Refused("heel_volume_l and heel_salinity are wanted together")
    if not heel_l < whole_l:
        raise Refused(f"a heel of {heel_l:g} L does not fit into {whole_l:g} L of water")
    return heel * heel_l / whole_l


def _confirm(asked: Asked) -> Done:
    """Take somebody's word that the water is clear and the bottom clean."""
    state = asked.state
    _right_batch(asked)
    if state.phase not in (Phase.VERIFYING, Phase.STALE):
        raise Refused(f"there is nothing to confirm: {_standing(asked)}")
    steps = verification.on_confirmed(state, asked.who, asked.level, asked.t_s, asked.settings)
    return Done(f"confirmed; {_standing(asked)}", tuple(steps))


def _reading(asked: Asked) -> Done:
    """Take what an independent instrument says."""
    state = asked.state
    _right_batch(asked)
    if state.phase not in STEADY:
        raise Refused(f"a second reading counts once the water is steady: {_standing(asked)}")
    state.second = _second(asked)
    apart, steps = release.disagreement(state), []
    unknown = state.called is None or state.called_u is None
    if state.phase in (Phase.VERIFYING, Phase.OFF_TARGET) or (state.phase is Phase.READY and apart):
        steps = release.judge(state, asked.t_s, asked.settings)
    said = apart or (
        "it is compared once the probe has readings that can be used"
        if unknown
        else "it agrees with the probe"
    )
    return Done(f"{state.second.salinity:.2f} ppt taken; {said}; {_standing(asked)}", tuple(steps))


def _second(asked: Asked) -> SecondReading:
    u = number(asked, "u_ppt", 0.001, 10.0)
    known = (each for each in INSTRUMENTS if each in asked.facts)
    name = text(asked, "instrument", LONGEST_NAME) or INSTRUMENTS[next(known, "")]
    return SecondReading(_read(asked), DEFAULT_SECOND_U if u is None else u, name)


def _read(asked: Asked) -> float:
    """Return the practical salinity that an instrument shows, in whichever way it does."""
    salinity = number(asked, "salinity", 0.0, MAX_PPT)
    gravity = number(asked, "specific_gravity", 0.9, 1.1)
    index = number(asked, "refractive_index", 1.3, 1.4)
    temperature = number(asked, "temperature_C", 0.0, 40.0)
    printed = text(asked, "hydrometer", LONGEST_NAME)
    if sum(each is not None for each in (salinity, gravity, index)) != 1:
        raise Refused("one of salinity, specific_gravity and refractive_index is wanted")
    if printed and gravity is None:
        raise Refused("hydrometer goes with specific_gravity, the reading of that instrument")
    if gravity is not None:
        if not printed or temperature is None:
            raise Refused(PAIR_NEEDED)
        return salinity_from_hydrometer(gravity, temperature, parse_pair(printed))
    if index is not None:
        if temperature is None:
            raise Refused("a refractive index needs temperature_C, the sample's temperature")
        return salinity_from_refractive_index(index, temperature)
    refuse_gravity(salinity=salinity)
    if salinity is None:
        raise Refused("a reading needs a salinity")
    return salinity


def _note(asked: Asked) -> Done:
    """Write a remark into the batch's record."""
    _right_batch(asked)
    _some_batch(asked)
    if not text(asked, "text", LONGEST_TEXT):
        raise Refused("a note needs a text")
    return Done("noted")


def _use(asked: Asked) -> Done:
    """Note that some or all of the batch was taken for use."""
    state = asked.state
    _right_batch(asked)
    if state.phase is not Phase.READY:
        raise Refused(f"only a released batch may be used: {_standing(asked)}")
    litres = number(asked, "volume_l", 0.0, MAX_L)
    volume_l = asked.settings.vessel.fill_l if state.told is None else state.told.volume_l
    name, left_l = state.id, volume_l - state.used_l
    if litres == 0.0:
        raise Refused("0 L is nothing to use; leave the volume out when all of it is used")
    if litres is not None and litres > left_l + (OVER_SHARE - 1.0) * volume_l:
        raise Refused(f"{litres:g} L cannot be used: about {left_l:g} L of {name} are left")
    if litres is not None and litres < left_l:
        state.used_l += litres
        return Done(f"{litres:g} L of {name} used, about {left_l - litres:g} L left")
    return Done(f"batch {name} is used", tuple(_end(asked, "used")))


def _discard(asked: Asked) -> Done:
    """End the batch without using it."""
    _right_batch(asked)
    _some_batch(asked)
    text(asked, "why", LONGEST_TEXT)
    name = asked.state.id
    return Done(f"batch {name} is discarded", tuple(_end(asked, "discarded")))


def _end(asked: Asked, how: str) -> list[Happening]:
    # The next batch is seen by what changes from now on, not by what this one did.
    asked.level.clear()
    return lifecycle.end(asked.state, how, asked.who)


def _add_lot(asked: Asked) -> Done:
    """Take a new lot of dry mix into the books."""
    name = text(asked, "name", LONGEST_NAME)
    if name in asked.lots:
        raise Refused(f"there is a lot {name!r} already; choose another name, or adjust that one")
    if len(asked.lots) >= MAX_LOTS:
        raise Refused(f"there are {MAX_LOTS} lots in the books, which is all that they hold")
    bought_g = number(asked, "bought_g", 0.0, MAX_G)
    left_g = number(asked, "left_g", 0.0, MAX_G)
    asked.lots[name] = Lot(
        name=name,
        number=text(asked, "number", LONGEST_NAME),
        bought_g=bought_g,
        left_g=bought_g if left_g is None else left_g,
        opened_on=text(asked, "opened_on", LONGEST_NAME) or None,
        label_yield=number(asked, "label_yield", 0.5, 1.0),
    )
    return Done(f"lot {name} added")


def _adjust_lot(asked: Asked) -> Done:
    """Correct what the books say of a lot."""
    name = text(asked, "name", LONGEST_NAME)
    lot = _lot(asked, name)
    left_g = number(asked, "left_g", 0.0, MAX_G)
    label = number(asked, "label_yield", 0.5, 1.0)
    changed = Lot(
        name,
        text(asked, "number", LONGEST_NAME) or lot.number,
        lot.bought_g,
        lot.left_g,
        text(asked, "opened_on", LONGEST_NAME) or lot.opened_on,
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
            "hydrometer",
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
    **{name: Verb(do, takes) for name, (do, takes) in (CALIBRATE | ALARM).items()},
}


def _right_batch(asked: Asked) -> None:
    """Refuse a command about a batch that is not the present one."""
    named = text(asked, "batch", LONGEST_NAME)
    state = asked.state
    if named and named in state.ended:
        raise Refused(f"batch {named} was {state.ended[named]} already")
    if named and named != state.id:
        raise Refused(f"there is no batch {named!r} in {asked.reservoir}: {_standing(asked)}")


def _some_batch(asked: Asked) -> None:
    if not asked.state.id:
        raise Refused(_standing(asked))


def _lot(asked: Asked, name: str) -> Lot:
    """Return a lot by name, or refuse and name some of those there are."""
    if name not in asked.lots:
        known = ", ".join([*asked.lots][:NAMED_LOTS]) or "none"
        raise Refused(f"there is no lot {name!r}; known are {known}")
    return asked.lots[name]


def _standing(asked: Asked) -> str:
    state = asked.state
    if not state.id:
        return f"no batch is known in {asked.reservoir}"
    told = state.advice if state.phase in (Phase.VERIFYING, Phase.OFF_TARGET) else ""
    if state.phase is Phase.READY:
        told = INDEPENDENT_CHECK
    return f"batch {state.id} is {state.phase}{told and ': '}{told}"
