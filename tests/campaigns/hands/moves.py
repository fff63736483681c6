"""What a keeper does again and again: fill, pour, wait for the verdict, lift, put back, use."""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.entries import JSON, Phase
from simulators.scenarios import mix_for
from tests.campaigns.hands.truth import GONE_SHARE, Refill

if TYPE_CHECKING:
    from tests.campaigns.hands.bench import Bench

POUR_S = 120.0
CLUMSY = 0.002
OFF_PPT = 2.5
LONGEST_MIXING_S = 3 * 3600.0
MOST_CORRECTIONS = 2
BACK_S, LONGEST_BACK_S = 600.0, 3600.0
"""After the probe is back: from when, and until when, the batch must be where it was."""
MIXED = (Phase.VERIFYING, Phase.READY, Phase.OFF_TARGET)
WORD_SHARE = 0.4


class UnpreparedError(Exception):
    """The batch did not come to where hands were to find it."""


# --- water and salt -----------------------------------------------------------------------------


def fill(bench: Bench, share: float = 1.0) -> None:
    """Let purified water run in up to a share of the full vessel, and wait for it."""
    drawn, truth, water = bench.draw, bench.judge.truth, bench.stage.reservoir
    litres = share * drawn.full_l - water.volume_l()
    if truth.current is None or truth.current.gone_s is not None:
        old, drained_s = truth.current, bench.t_s
        level_l = water.volume_l()
        new = truth.prepare(bench.t_s)
        bench.judge.bind_loose(bench.batch if bench.phase is Phase.BLANK else "")
        if old is not None:
            gradual = level_l > 1.02 * drawn.story.vessel.probe_at_l and bench.stage.in_water()
            truth.refills.append(Refill(old, new, old.gone_s or drained_s, gradual))
    over_s = max(litres, 0.1) / drawn.flow_L_s
    bench.act(
        "fill",
        litres=max(litres, 0.1),
        impurity_uS_cm=drawn.impurity_uS_cm,
        temperature_C=drawn.fill_C,
        over_s=over_s,
    )
    bench.wait(over_s + 5.0)
    if truth.refills and truth.refills[-1].new is truth.current and share >= 1.0:
        truth.refills[-1].rest_s = truth.refills[-1].rest_s or bench.t_s


def drain(bench: Bench, share: float, *, over: bool = True, by_word: bool = False) -> None:
    """Draw water off down to a share of the full vessel.

    Args:
        bench: Where.
        share: What is left, of the full vessel.
        over: Whether the rest is waste, and is refilled.
        by_word: Whether the keeper reported the end of the batch.
    """
    litres = bench.stage.reservoir.volume_l() - share * bench.draw.full_l
    over_s = max(litres, 0.1) / bench.draw.flow_L_s
    bench.act("draw", litres=max(litres, 0.1), over_s=over_s)
    bench.wait(over_s + 5.0)
    if over and share <= GONE_SHARE:
        bench.judge.truth.take_away(bench.t_s - over_s, by_word=by_word)


def dose_g(bench: Bench, ppt: float) -> float:
    """Return the grams of mix that bring the water to this practical salinity."""
    water = bench.stage.reservoir
    grams = mix_for(
        ppt, water_g=water.water_g(), salt_g=water.salt_g(), mix=bench.stage.scenario.mix
    )
    return max(1.0, grams * (1.0 + bench.dice.gauss(0.0, CLUMSY)))


def pour(bench: Bench, grams: float) -> None:
    """Pour salt."""
    truth = bench.judge.truth
    if truth.current is not None and truth.current.salted_s is None:
        truth.current.salted_s = bench.t_s
        for refill in truth.refills:
            if refill.new is truth.current:
                refill.salt_s = bench.t_s
    bench.act("pour", grams=grams, over_s=POUR_S)
    bench.wait(POUR_S)


def settle(bench: Bench) -> None:
    """Wait for a verdict, or for as long as anyone would."""
    bench.until(lambda: bench.phase in MIXED, LONGEST_MIXING_S)


def put_right(bench: Bench) -> None:
    """Do what is advised until the batch is released, or give up."""
    for _ in range(MOST_CORRECTIONS):
        bench.until(lambda: bench.phase is not Phase.VERIFYING, 1200.0)
        shown = bench.shown()
        salt_g, water_l = shown["advice_salt_g"], shown["advice_water_l"]
        if bench.phase is Phase.READY:
            return
        if isinstance(salt_g, int | float) and salt_g > 0.0:
            pour(bench, salt_g)
        elif isinstance(water_l, int | float) and water_l > 0.0:
            fill(bench, (bench.stage.reservoir.volume_l() + water_l) / bench.draw.full_l)
        else:
            return
        bench.until(lambda: bench.phase not in MIXED, 1800.0)
        settle(bench)


def blank(bench: Bench) -> None:
    """Fill the vessel and wait until the station has a batch of purified water."""
    fill(bench)
    bench.wait(bench.dice.uniform(300.0, 900.0))


def salt(bench: Bench, ppt: float | None = None) -> None:
    """Pour the salt for the target or for another salinity, with a word before or not."""
    grams = dose_g(bench, bench.draw.settings.target_ppt if ppt is None else ppt)
    if (
        ppt is None
        and bench.dice.random() < WORD_SHARE
        and bench.phase in (Phase.IDLE, Phase.BLANK)
    ):
        facts: dict[str, JSON] = {"mass_g": round(grams), "volume_l": round(bench.draw.full_l, 1)}
        bench.say("batch.start", **facts)
    pour(bench, grams)


def brew(bench: Bench) -> None:
    """Prepare a batch from the filling to its release.

    Raises:
        UnpreparedError: It was not released.
    """
    blank(bench)
    salt(bench)
    settle(bench)
    if not bench.draw.settings.needs_confirmation:
        put_right(bench)
    elif bench.phase is Phase.VERIFYING:
        bench.say("batch.confirm")
    if bench.phase is not Phase.READY:
        raise UnpreparedError


def kept_phase(phase: Phase) -> Phase:
    """Return a phase in which there is water to be refilled: as drawn, or ready."""
    return Phase.READY if phase in (Phase.BLANK, Phase.IDLE) else phase


def reach(bench: Bench, phase: Phase) -> None:
    """Bring a first batch to where hands find it.

    Raises:
        UnpreparedError: It did not come there.
    """
    if phase in (Phase.READY, Phase.STALE, Phase.IDLE):
        brew(bench)
        bench.wait(bench.dice.uniform(600.0, 7200.0))
    else:
        blank(bench)
    if phase is Phase.BLANK and bench.phase is Phase.IDLE:
        # Water as pure as this reads like air, and only a word tells it from that.
        bench.say("batch.start")
    if phase is Phase.STALE:
        bench.until(lambda: bench.phase is Phase.STALE, 4 * 3600.0)
        bench.wait(bench.dice.uniform(0.0, 3600.0))
    elif phase is Phase.IDLE:
        end(bench)
        bench.wait(bench.dice.uniform(120.0, 3600.0))
    elif phase is Phase.OFF_TARGET:
        off = bench.dice.choice((-OFF_PPT, OFF_PPT))
        salt(bench, bench.draw.settings.target_ppt + off)
        settle(bench)
        bench.wait(bench.dice.uniform(300.0, 1800.0))
    elif phase is Phase.VERIFYING:
        salt(bench)
        settle(bench)
        bench.wait(bench.dice.uniform(60.0, 1200.0))
    elif phase is Phase.DISSOLVING:
        salt(bench)
        bench.wait(bench.dice.uniform(60.0, 400.0))
    if bench.phase is not phase:
        raise UnpreparedError


# --- the probe ----------------------------------------------------------------------------------


def to_air(bench: Bench, seconds: float) -> None:
    """Hang the probe in air for so long."""
    room_C = bench.draw.story.vessel.room_C
    bench.act("dip", conductivity_mS_cm=0.0, temperature_C=room_C + bench.dice.uniform(-2.0, 2.0))
    bench.wait(seconds)


def to_beaker(bench: Bench, conductivity_mS_cm: float, temperature_C: float, s: float) -> None:
    """Stand the probe in a beaker for so long."""
    bench.act("dip", conductivity_mS_cm=conductivity_mS_cm, temperature_C=temperature_C)
    bench.wait(s)


def put_back(bench: Bench) -> None:
    """Put the probe back into the vessel."""
    bench.act("back")


# --- the end ------------------------------------------------------------------------------------


def check_return(bench: Bench, batch: str, phases: tuple[Phase, ...]) -> None:
    """Check that the batch goes on where it was, now that its water is at the probe again."""
    marks = bench.judge.marks
    bench.wait(BACK_S)

    needs_word = bench.draw.settings.needs_confirmation and Phase.READY in phases

    def back() -> bool:
        if needs_word and bench.phase is Phase.VERIFYING and not bench.judge.asked:
            # What was confirmed was the water before something moved it.
            bench.say("batch.confirm")
        return not bench.judge.asked and bench.batch == batch and bench.phase in phases

    marks.returns += 1
    if bench.until(back, LONGEST_BACK_S - BACK_S):
        marks.returned += 1
    else:
        asked = " and asks" if bench.judge.asked else ""
        bench.judge.fault(
            bench.scene(), f"not resumed: {bench.batch or 'no batch'} is {bench.phase}{asked}"
        )


def go_on(bench: Bench, phase: Phase, batch: str) -> None:
    """See the batch to its end, once what hands did is over and the water is the same."""
    allowed = {
        Phase.DISSOLVING: (Phase.DISSOLVING, *MIXED),
        Phase.READY: (Phase.READY,),
    }.get(phase, (phase,))
    check_return(bench, batch, allowed)
    if phase is Phase.BLANK:
        salt(bench)
        settle(bench)
    if phase is Phase.VERIFYING and bench.phase is Phase.VERIFYING:
        bench.say("batch.confirm")
    bench.wait(bench.dice.uniform(600.0, 5400.0))
    if phase is Phase.IDLE:
        drain(bench, bench.dice.uniform(0.0, 0.2), by_word=True)
        blank(bench)
        salt(bench)
        settle(bench)
    end(bench)
    bench.wait(300.0)


def end(bench: Bench) -> None:
    """Report that the water is used when it may be, or else discarded."""
    water = bench.judge.truth.current
    ready = bench.phase is Phase.READY
    if not (ready and _report(bench, "used")):
        _report(bench, "discarded")
    if water is not None and water.gone_s is None:
        bench.judge.truth.take_away(bench.t_s, by_word=True)


def _report(bench: Bench, how: str) -> bool:
    water = bench.judge.truth.current
    before = "" if water is None else water.how
    if water is not None and water.gone_s is None:
        water.how = how
    done = bench.say("batch.use" if how == "used" else "batch.discard")
    if water is not None and not done:
        water.how = before
    return done
