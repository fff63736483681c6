"""Commands about a batch: start, confirm, second reading, note, use and discard."""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.entries import Phase
from daemon.mixing.batch import contradiction, lifecycle, lots, release, verification, volume
from daemon.mixing.batch.batch_state import STEADY, SaltAddition, SecondReading
from daemon.mixing.batch.rejudgement import judge_again
from daemon.mixing.cautions import INDEPENDENT_CHECK
from daemon.mixing.probe.place import accept
from daemon.mixing.seawater.gravity_check import refuse_gravity
from daemon.mixing.seawater.hydrometer import parse_pair, salinity_from_hydrometer
from daemon.mixing.seawater.properties import salinity_from_refractive_index
from daemon.mixing.station.commands import answer
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
    from daemon.mixing.batch.batch_state import BatchState
    from daemon.mixing.batch.lots import Lot
    from daemon.mixing.events import Happening

MAX_PPT = 42.0
MAX_L = 100_000.0
MIN_L = 0.1
OVER_SHARE = 1.1
"""A vessel is filled by a mark; a tenth more than its nominal volume may come out of it."""
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
"""Name of a second instrument without one, by the quantity that it reads."""


def _start(context: BatchContext) -> CommandResult:
    """Record the salt, and begin a batch where there is none.

    Sent again before release, it corrects the record.
    """
    state = context.batch
    _right_batch(context)
    refilled = answer.reads_other_water(context)
    if state.phase in (Phase.READY, Phase.STALE) and not refilled:
        raise Rejected(f"batch {state.id} is {state.phase} already; end it before the next begins")
    salt = _salt_addition(context)
    if salt is None and state.phase in (Phase.VERIFYING, Phase.OFF_TARGET):
        raise Rejected(f"batch {state.id} is {state.phase} already; mass_g corrects its salt")
    steps: list[Happening] = []
    elsewhere = state.phase is Phase.IDLE and context.place.away is not None
    if elsewhere or (refilled and salt is not None):
        # Who begins a batch, or weighs salt for low water, says that it is other water.
        steps = answer.refill(context)
    if state.phase is Phase.IDLE:
        # What is in the vessel now is the water of this batch, whatever was there before.
        accept(context.place)
        steps = lifecycle.begin(
            state, context.level, context.t_s, context.reservoir, context.wall, context.settings
        )
    # Who reports that it is mixed, or salt, says that a fall of salinity was no bubble.
    state.standing = None
    if salt is not None:
        _book(context, salt)
    if salt is not None and state.phase in (Phase.VERIFYING, Phase.OFF_TARGET):
        steps = judge_again(state, context.t_s, context.settings)
        return CommandResult(
            f"the salt is corrected: {_salt_text(salt)}; {_status(context)}", tuple(steps)
        )
    with_salt = "" if salt is None else f" with {_salt_text(salt)}"
    return CommandResult(f"batch {state.id} is being mixed{with_salt}", tuple(steps))


def _salt_text(salt: SaltAddition) -> str:
    text = f"{salt.mass_g:g} g in {salt.volume_l:g} L"
    if salt.comparable:
        return text
    return (
        f"{text} (the water before it was not measured, so the expected salinity is not compared;"
        " heel_volume_l and heel_salinity, both 0 for purified water alone, make it comparable)"
    )


def _book(context: BatchContext, salt: SaltAddition) -> None:
    """Subtract the mass from its lot, and add back what an earlier command subtracted."""
    state = context.batch
    before = state.salt
    if before is not None and before.lot in context.lots:
        _unbook(context.lots[before.lot], before.booked_g)
    if salt.lot:
        lot = context.lots[salt.lot]
        left_g = lot.left_g
        lots.take(lot, salt.mass_g)
        if left_g is not None and lot.left_g is not None:
            salt.booked_g = left_g - lot.left_g
        state.lot = salt.lot
    state.salt = salt


def _unbook(lot: Lot, grams: float) -> None:
    if lot.left_g is not None:
        most_g = MAX_G if lot.bought_g is None else lot.bought_g
        lots.set_left(lot, min(lot.left_g + grams, most_g))


def _salt_addition(context: BatchContext) -> SaltAddition | None:
    """Return the salt that the command reports; None when it reports none."""
    vessel = context.settings.vessel
    mass_g = context.arguments.number("mass_g", 0.0, MAX_G)
    volume_l = context.arguments.number("volume_l", MIN_L, MAX_L)
    lot = context.arguments.text("lot", LONGEST_NAME)
    whole_l = vessel.fill_l if volume_l is None else volume_l
    initial = _initial_salinity(context, whole_l)
    if mass_g is None:
        if lot or volume_l is not None or "heel_volume_l" in context.arguments.by_name:
            raise Rejected("mass_g is wanted too: all grams of salt mix that went in")
        return None
    if lot:
        content = lots.estimate(lot_named(context.lots, lot), context.t_s)
        salt = SaltAddition(mass_g, whole_l, initial or 0.0, content.value, content.u, lot)
    else:
        salt = SaltAddition(
            mass_g, whole_l, initial or 0.0, vessel.mix_yield, lots.COMMON_CONTENT_U
        )
    # Water that was not measured before does not show how much salt came.
    salt.comparable = salt.undisturbed = initial is not None
    release.expected(salt)
    return salt


def _initial_salinity(context: BatchContext, whole_l: float) -> float | None:
    """Return the practical salinity before the salt: of the heel if given, else as measured.

    None where no heel was given and the water was not measured.
    """
    heel_l = context.arguments.number("heel_volume_l", 0.0, MAX_L)
    heel = context.arguments.number("heel_salinity", 0.0, MAX_PPT)
    refuse_gravity(heel_salinity=heel)
    if heel_l is None and heel is None:
        measured = context.batch.levels.before_salt
        if measured is None:
            measured = context.level.now()
        purified = measured is not None and measured <= context.settings.blank_max_ppt
        return 0.0 if purified else measured
    if heel_l is None or heel is None:
        raise Rejected("heel_volume_l and heel_salinity are wanted together")
    if not heel_l < whole_l:
        raise Rejected(f"a heel of {heel_l:g} L does not fit into {whole_l:g} L of water")
    return heel * heel_l / whole_l


def _confirm(context: BatchContext) -> CommandResult:
    """Record that a person finds the water clear and the bottom clean."""
    state = context.batch
    _right_batch(context)
    if state.phase not in (Phase.VERIFYING, Phase.STALE):
        raise Rejected(f"there is nothing to confirm: {_status(context)}")
    steps = verification.on_confirmed(
        state, context.who, context.level, context.t_s, context.settings
    )
    return CommandResult(f"confirmed; {_status(context)}", tuple(steps))


def _reading(context: BatchContext) -> CommandResult:
    """Record the reading of an independent instrument."""
    state = context.batch
    _right_batch(context)
    if state.phase not in STEADY:
        raise Rejected(f"a second reading counts once the water is steady: {_status(context)}")
    second, anyway = _second(context), context.arguments.flag("anyway")
    if (absurd := contradiction.why_absurd(state, second)) and not anyway:
        raise Rejected(
            f"{absurd} Nothing is recorded. If it does show that, use none of the water, and send"
            " it again with anyway = true (--anyway)"
        )
    before, state.second = state.second, second
    steps: list[Happening] = []
    if state.phase is Phase.READY:
        steps = contradiction.on_reading_of_released(state, before, context.t_s, context.settings)
    elif state.phase in (Phase.VERIFYING, Phase.OFF_TARGET):
        steps = judge_again(state, context.t_s, context.settings)
    return CommandResult(
        f"{second.salinity:.2f} ppt taken; {_comparison(state)}; {_status(context)}", tuple(steps)
    )


def _comparison(state: BatchState) -> str:
    """Return how the second reading compares with the probe."""
    if state.judgement.salinity is None or state.judgement.salinity_u is None:
        return "it is compared once the probe has readings that can be used"
    apart = release.disagreement(state)
    if apart and state.contradicted_s is not None:
        return f"{apart}; use none of it and read again: {contradiction.OUTCOMES}"
    return apart or "it agrees with the probe"


def _second(context: BatchContext) -> SecondReading:
    u = context.arguments.number("u_ppt", 0.001, 10.0)
    quantities = (each for each in INSTRUMENTS if each in context.arguments.by_name)
    name = context.arguments.text("instrument", LONGEST_NAME) or INSTRUMENTS[next(quantities, "")]
    return SecondReading(_second_salinity(context), DEFAULT_SECOND_U if u is None else u, name)


def _second_salinity(context: BatchContext) -> float:
    """Return the practical salinity of the reading, from whichever quantity it gives."""
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
    """Write a note into the record of the batch."""
    _right_batch(context)
    _some_batch(context)
    if not context.arguments.text("text", LONGEST_TEXT):
        raise Rejected("a note needs a text")
    return CommandResult("noted")


def _use(context: BatchContext) -> CommandResult:
    """Note that some or all of the batch was taken for use."""
    state = context.batch
    _right_batch(context)
    withheld = state.suspension is not None and state.suspension.was_ready
    if state.phase is not Phase.READY and not withheld:
        raise Rejected(f"only a released batch may be used: {_status(context)}")
    litres = context.arguments.number("volume_l", 0.0, MAX_L)
    volume_l = context.settings.vessel.fill_l if state.salt is None else state.salt.volume_l
    name, left_l = state.id, round(volume.present_l(state, context.settings), 1)
    if litres == 0.0:
        raise Rejected("0 L is nothing to use; leave the volume out when all of it is used")
    if litres is not None and litres > left_l + (OVER_SHARE - 1.0) * volume_l:
        raise Rejected(f"{litres:g} L cannot be used: about {left_l:g} L of {name} are left")
    if litres is not None and litres < left_l:
        volume.on_used(state, litres)
        return CommandResult(f"{litres:g} L of {name} used, about {left_l - litres:g} L left")
    return CommandResult(f"batch {name} is used", tuple(_end(context, "used")))


def _discard(context: BatchContext) -> CommandResult:
    """End the batch without using it."""
    _right_batch(context)
    _some_batch(context)
    context.arguments.text("why", LONGEST_TEXT)
    name = context.batch.id
    return CommandResult(f"batch {name} is discarded", tuple(_end(context, "discarded")))


def _answer(context: BatchContext) -> CommandResult:
    """Take a person's answer where the probe is."""
    _right_batch(context)
    return answer.answer(context)


def _end(context: BatchContext, how: str) -> list[Happening]:
    # Changes before now belong to this batch, and must not begin the next one.
    context.level.clear()
    return lifecycle.end(context.batch, how, context.who)


def _right_batch(context: BatchContext) -> None:
    """Refuse a command about a batch that is not the present one."""
    named = context.arguments.text("batch", LONGEST_NAME)
    state = context.batch
    if named and named in state.ended:
        raise Rejected(f"batch {named} was {state.ended[named]} already")
    if named and named != state.id:
        raise Rejected(f"there is no batch {named!r} in {context.reservoir}: {_status(context)}")


def _some_batch(context: BatchContext) -> None:
    if not context.batch.id:
        raise Rejected(_status(context))


def _status(context: BatchContext) -> str:
    state = context.batch
    if not state.id:
        return f"no batch is known in {context.reservoir}"
    advice = state.advice.text if state.phase in (Phase.VERIFYING, Phase.OFF_TARGET) else ""
    if state.phase is Phase.READY:
        advice = INDEPENDENT_CHECK
    return f"batch {state.id} is {state.phase}{advice and ': '}{advice}"


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
            "anyway",
        ),
    ),
    "batch.note": Verb(_note, ("batch", "text")),
    "batch.use": Verb(_use, ("batch", "volume_l")),
    "batch.discard": Verb(_discard, ("batch", "why")),
    "batch.answer": Verb(_answer, ("batch", "answer")),
}
