"""What people may do to a batch: start it, confirm it, read it, note, use and discard it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.entries import Phase
from daemon.mixing.batch import lifecycle, lots, release, verification
from daemon.mixing.batch.state import STEADY, SecondReading, Told
from daemon.mixing.cautions import INDEPENDENT_CHECK
from daemon.mixing.seawater.gravity_check import refuse_gravity
from daemon.mixing.seawater.hydrometer import parse_pair, salinity_from_hydrometer
from daemon.mixing.seawater.properties import salinity_from_refractive_index
from daemon.mixing.station.commands.context import (
    LONGEST_NAME,
    LONGEST_TEXT,
    BatchContext,
    CommandResult,
    Rejected,
    Verb,
)
from daemon.mixing.station.commands.lot import MAX_G, lot_named

if TYPE_CHECKING:
    from daemon.mixing.batch.lots import Lot
    from daemon.mixing.events import Happening

MAX_PPT = 42.0
MAX_L = 100_000.0
MIN_L = 0.1
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


def _start(context: BatchContext) -> CommandResult:
    """Take what is said of the salt, and begin a batch where none is known.

    Said again before release, it corrects what was said before.
    """
    state = context.batch
    _right_batch(context)
    if state.phase in (Phase.READY, Phase.STALE):
        raise Rejected(f"batch {state.id} is {state.phase} already; end it before the next begins")
    told = _told(context)
    if told is None and state.phase in (Phase.VERIFYING, Phase.OFF_TARGET):
        raise Rejected(f"batch {state.id} is {state.phase} already; mass_g corrects what was told")
    steps: list[Happening] = []
    if state.phase is Phase.IDLE:
        steps = lifecycle.begin(
            state, context.level, context.t_s, context.reservoir, context.wall, context.settings
        )
    if told is not None:
        _book(context, told)
    if state.phase in (Phase.VERIFYING, Phase.OFF_TARGET):
        steps = release.judge(state, context.t_s, context.settings)
        return CommandResult(f"told anew{_said(told)}; {_standing(context)}", tuple(steps))
    return CommandResult(f"batch {state.id} is being mixed{_said(told)}", tuple(steps))


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


def _book(context: BatchContext, told: Told) -> None:
    """Take the mass from its lot, and give back what was taken for an earlier telling."""
    state = context.batch
    before = state.told
    if before is not None and before.lot in context.lots:
        _give_back(context.lots[before.lot], before.taken_g)
    if told.lot:
        lot = context.lots[told.lot]
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


def _told(context: BatchContext) -> Told | None:
    """Return what is told of the salt, or None when nothing is."""
    vessel = context.settings.vessel
    mass_g = context.arguments.number("mass_g", 0.0, MAX_G)
    volume_l = context.arguments.number("volume_l", MIN_L, MAX_L)
    lot = context.arguments.text("lot", LONGEST_NAME)
    whole_l = vessel.fill_l if volume_l is None else volume_l
    seen = _before(context, whole_l)
    if mass_g is None:
        if lot or volume_l is not None or "heel_volume_l" in context.arguments.given:
            raise Rejected("mass_g is wanted too: all grams of dry mix that went in")
        return None
    if lot:
        known = lots.estimate(lot_named(context.lots, lot), context.t_s)
        told = Told(mass_g, whole_l, seen or 0.0, known.value, known.u, lot)
    else:
        told = Told(mass_g, whole_l, seen or 0.0, vessel.mix_yield, lots.COMMON_U)
    # What was in the water that nobody measured says nothing of the salt that came.
    told.holds = told.teaches = seen is not None
    release.expected(told)
    return told


def _before(context: BatchContext, whole_l: float) -> float | None:
    """Return the practical salinity before the salt: of the heel told, else as it was measured.

    None where no heel was given and no reading showed the water.
    """
    heel_l = context.arguments.number("heel_volume_l", 0.0, MAX_L)
    heel = context.arguments.number("heel_salinity", 0.0, MAX_PPT)
    refuse_gravity(heel_salinity=heel)
    if heel_l is None and heel is None:
        rested = context.batch.rest_level
        seen = context.level.now() if rested is None else rested
        return 0.0 if seen is not None and seen <= context.settings.blank_max_ppt else seen
    if heel_l is None or heel is None:
        raise Rejected("heel_volume_l and heel_salinity are wanted together")
    if not heel_l < whole_l:
        raise Rejected(f"a heel of {heel_l:g} L does not fit into {whole_l:g} L of water")
    return heel * heel_l / whole_l


def _confirm(context: BatchContext) -> CommandResult:
    """Take somebody's word that the water is clear and the bottom clean."""
    state = context.batch
    _right_batch(context)
    if state.phase not in (Phase.VERIFYING, Phase.STALE):
        raise Rejected(f"there is nothing to confirm: {_standing(context)}")
    steps = verification.on_confirmed(
        state, context.who, context.level, context.t_s, context.settings
    )
    return CommandResult(f"confirmed; {_standing(context)}", tuple(steps))


def _reading(context: BatchContext) -> CommandResult:
    """Take what an independent instrument says."""
    state = context.batch
    _right_batch(context)
    if state.phase not in STEADY:
        raise Rejected(f"a second reading counts once the water is steady: {_standing(context)}")
    state.second = _second(context)
    apart, steps = release.disagreement(state), []
    unknown = state.called is None or state.called_u is None
    if state.phase in (Phase.VERIFYING, Phase.OFF_TARGET) or (state.phase is Phase.READY and apart):
        steps = release.judge(state, context.t_s, context.settings)
    said = apart or (
        "it is compared once the probe has readings that can be used"
        if unknown
        else "it agrees with the probe"
    )
    return CommandResult(
        f"{state.second.salinity:.2f} ppt taken; {said}; {_standing(context)}", tuple(steps)
    )


def _second(context: BatchContext) -> SecondReading:
    u = context.arguments.number("u_ppt", 0.001, 10.0)
    known = (each for each in INSTRUMENTS if each in context.arguments.given)
    name = context.arguments.text("instrument", LONGEST_NAME) or INSTRUMENTS[next(known, "")]
    return SecondReading(_read(context), DEFAULT_SECOND_U if u is None else u, name)


def _read(context: BatchContext) -> float:
    """Return the practical salinity that an instrument shows, in whichever way it does."""
    salinity = context.arguments.number("salinity", 0.0, MAX_PPT)
    gravity = context.arguments.number("specific_gravity", 0.9, 1.1)
    index = context.arguments.number("refractive_index", 1.3, 1.4)
    temperature = context.arguments.number("temperature_C", 0.0, 40.0)
    printed = context.arguments.text("hydrometer", LONGEST_NAME)
    if sum(each is not None for each in (salinity, gravity, index)) != 1:
        raise Rejected("one of salinity, specific_gravity and refractive_index is wanted")
    if printed and gravity is None:
        raise Rejected("hydrometer goes with specific_gravity, the reading of that instrument")
    if gravity is not None:
        if not printed or temperature is None:
            raise Rejected(PAIR_NEEDED)
        return salinity_from_hydrometer(gravity, temperature, parse_pair(printed))
    if index is not None:
        if temperature is None:
            raise Rejected("a refractive index needs temperature_C, the sample's temperature")
        return salinity_from_refractive_index(index, temperature)
    refuse_gravity(salinity=salinity)
    if salinity is None:
        raise Rejected("a reading needs a salinity")
    return salinity


def _note(context: BatchContext) -> CommandResult:
    """Write a remark into the batch's record."""
    _right_batch(context)
    _some_batch(context)
    if not context.arguments.text("text", LONGEST_TEXT):
        raise Rejected("a note needs a text")
    return CommandResult("noted")


def _use(context: BatchContext) -> CommandResult:
    """Note that some or all of the batch was taken for use."""
    state = context.batch
    _right_batch(context)
    if state.phase is not Phase.READY:
        raise Rejected(f"only a released batch may be used: {_standing(context)}")
    litres = context.arguments.number("volume_l", 0.0, MAX_L)
    volume_l = context.settings.vessel.fill_l if state.told is None else state.told.volume_l
    name, left_l = state.id, volume_l - state.used_l
    if litres == 0.0:
        raise Rejected("0 L is nothing to use; leave the volume out when all of it is used")
    if litres is not None and litres > left_l + (OVER_SHARE - 1.0) * volume_l:
        raise Rejected(f"{litres:g} L cannot be used: about {left_l:g} L of {name} are left")
    if litres is not None and litres < left_l:
        state.used_l += litres
        return CommandResult(f"{litres:g} L of {name} used, about {left_l - litres:g} L left")
    return CommandResult(f"batch {name} is used", tuple(_end(context, "used")))


def _discard(context: BatchContext) -> CommandResult:
    """End the batch without using it."""
    _right_batch(context)
    _some_batch(context)
    context.arguments.text("why", LONGEST_TEXT)
    name = context.batch.id
    return CommandResult(f"batch {name} is discarded", tuple(_end(context, "discarded")))


def _end(context: BatchContext, how: str) -> list[Happening]:
    # The next batch is seen by what changes from now on, not by what this one did.
    context.level.clear()
    return lifecycle.end(context.batch, how, context.who)


def _right_batch(context: BatchContext) -> None:
    """Refuse a command about a batch that is not the present one."""
    named = context.arguments.text("batch", LONGEST_NAME)
    state = context.batch
    if named and named in state.ended:
        raise Rejected(f"batch {named} was {state.ended[named]} already")
    if named and named != state.id:
        raise Rejected(f"there is no batch {named!r} in {context.reservoir}: {_standing(context)}")


def _some_batch(context: BatchContext) -> None:
    if not context.batch.id:
        raise Rejected(_standing(context))


def _standing(context: BatchContext) -> str:
    state = context.batch
    if not state.id:
        return f"no batch is known in {context.reservoir}"
    told = state.advice if state.phase in (Phase.VERIFYING, Phase.OFF_TARGET) else ""
    if state.phase is Phase.READY:
        told = INDEPENDENT_CHECK
    return f"batch {state.id} is {state.phase}{told and ': '}{told}"


VERBS: dict[str, Verb[BatchContext]] = {
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
}
