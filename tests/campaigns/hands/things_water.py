"""What hands do to the water: draining, refilling, salting, topping up."""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.entries import Phase
from tests.campaigns.hands import moves
from tests.campaigns.hands.truth import Refill

if TYPE_CHECKING:
    from tests.campaigns.hands.bench import Bench

HEELS = (0.0, 0.4)
EVEN = 0.5


def _finish_new(bench: Bench) -> None:
    """Mix the new water and report its end."""
    # Time to be asked about before the salt, or hardly any.
    dice = bench.dice
    bench.wait(dice.choice((dice.uniform(300.0, 1200.0), dice.uniform(2400.0, 5400.0))))
    moves.salt(bench)
    moves.settle(bench)
    bench.wait(2400.0)
    if bench.phase is Phase.VERIFYING and bench.draw.settings.needs_confirmation:
        bench.say("batch.confirm")
    moves.end(bench)
    bench.wait(300.0)


def refilled_at_once(bench: Bench) -> None:
    """Drained to a heel and refilled within minutes, and nobody says a word."""
    moves.reach(bench, moves.kept_phase(bench.draw.phase))
    moves.drain(bench, bench.dice.uniform(*HEELS))
    bench.wait(bench.dice.uniform(0.0, 600.0))
    moves.fill(bench)
    _finish_new(bench)


def refilled_after_hours(bench: Bench) -> None:
    """Drained to a heel, left for hours, then refilled without a word."""
    moves.reach(bench, moves.kept_phase(bench.draw.phase))
    moves.drain(bench, bench.dice.choice((0.0, bench.dice.uniform(*HEELS))))
    bench.wait_h(bench.dice.uniform(1.0, 20.0))
    moves.fill(bench)
    _finish_new(bench)


def refilled_after_a_word(bench: Bench) -> None:
    """The batch is reported used or discarded, then drained and refilled, at once or later."""
    dice = bench.dice
    moves.reach(bench, moves.kept_phase(bench.draw.phase))
    bench.wait(dice.uniform(0.0, 3600.0))
    moves.end(bench)
    bench.wait(dice.uniform(0.0, 1800.0))
    moves.drain(bench, dice.choice((0.0, dice.uniform(*HEELS))), by_word=True)
    bench.wait(dice.choice((dice.uniform(0.0, 900.0), dice.uniform(3600.0, 72000.0))))
    moves.fill(bench)
    _finish_new(bench)


def half_drained(bench: Bench) -> None:
    """About half is drawn off and replaced by purified water; then salt is put right."""
    dice, truth = bench.dice, bench.judge.truth
    moves.reach(bench, moves.kept_phase(bench.draw.phase))
    drained_s, old = bench.t_s, truth.current
    moves.drain(bench, dice.uniform(0.44, 0.62), over=False)
    bench.wait(dice.uniform(0.0, 900.0))
    if old is not None:
        old.blended = True
        truth.refills.append(Refill(old, old, drained_s, gradual=True))
    moves.fill(bench)
    bench.wait(dice.uniform(2100.0, 5400.0))
    moves.salt(bench)
    moves.settle(bench)
    bench.wait(1800.0)
    moves.end(bench)
    bench.wait(300.0)


def drawn_below_the_probe(bench: Bench) -> None:
    """Some is used, so that the probe hangs in air above the same water; later the rest is."""
    dice = bench.dice
    moves.reach(bench, Phase.READY)
    share = bench.draw.story.vessel.probe_at_l / bench.draw.full_l * dice.uniform(0.4, 0.95)
    if dice.random() < EVEN:
        bench.say("batch.use", volume_l=round((1.0 - share) * bench.draw.full_l, 1))
    moves.drain(bench, share, over=False)
    bench.wait_h(dice.uniform(0.5, 12.0))
    moves.end(bench)
    bench.wait(600.0)


def two_batches_a_day(bench: Bench) -> None:
    """Two batches, one after the other; the first is reported used, or simply refilled."""
    dice = bench.dice
    moves.brew(bench)
    bench.wait_h(dice.uniform(1.0, 5.0))
    by_word = dice.random() < EVEN
    if by_word:
        moves.end(bench)
    moves.drain(bench, dice.uniform(0.05, 0.2), by_word=by_word)
    bench.wait(dice.uniform(0.0, 900.0))
    moves.fill(bench)
    _finish_new(bench)


def five_portions(bench: Bench) -> None:
    """The salt comes in five portions."""
    dice = bench.dice
    moves.blank(bench)
    grams = moves.dose_g(bench, bench.draw.settings.target_ppt)
    for _ in range(5):
        moves.pour(bench, grams / 5.0)
        bench.wait(dice.uniform(180.0, 1500.0))
    moves.settle(bench)
    bench.wait_h(dice.uniform(1.0, 3.0))
    moves.end(bench)
    bench.wait(300.0)


def salt_first(bench: Bench) -> None:
    """The salt lies in the vessel first, in little water or none, and the water comes after."""
    dice, truth = bench.dice, bench.judge.truth
    full_g = bench.draw.full_l * 1000.0
    share = bench.draw.settings.target_ppt / 1000.0
    grams = full_g * share / (1.0 - share) / bench.draw.story.mix.salt_yield
    if dice.random() < EVEN:
        moves.fill(bench, dice.uniform(0.34, 0.5))
    else:
        truth.prepare(bench.t_s)
        bench.judge.bind_loose(bench.batch if bench.phase is Phase.BLANK else "")
    moves.pour(bench, grams)
    bench.wait(dice.uniform(60.0, 2400.0))
    moves.fill(bench)
    moves.settle(bench)
    bench.wait_h(dice.uniform(1.0, 3.0))
    moves.end(bench)
    bench.wait(300.0)


def topped_up(bench: Bench) -> None:
    """A little purified water is added to water that is released, perhaps after some was used."""
    dice = bench.dice
    moves.reach(bench, Phase.READY)
    if dice.random() < EVEN:
        used = dice.uniform(0.03, 0.12)
        bench.say("batch.use", volume_l=round(used * bench.draw.full_l, 1))
        moves.drain(bench, 1.0 - used, over=False)
        moves.fill(bench)
    else:
        moves.fill(bench, 1.0 + dice.uniform(0.02, 0.08))
    bench.wait_h(dice.uniform(0.5, 3.0))
    moves.put_right(bench)
    bench.wait_h(dice.uniform(0.5, 8.0))
    moves.end(bench)
    bench.wait(300.0)


def dosed_twice(bench: Bench) -> None:
    """The whole salt is poured once more, into water that dissolves or is released."""
    phase = Phase.READY if bench.draw.number % 2 else Phase.DISSOLVING
    moves.blank(bench)
    grams = moves.dose_g(bench, bench.draw.settings.target_ppt)
    moves.pour(bench, grams)
    if phase is Phase.READY:
        moves.settle(bench)
        bench.until(lambda: bench.phase is Phase.READY, 1200.0)
    bench.wait(bench.dice.uniform(120.0, 1200.0))
    moves.pour(bench, grams)
    bench.wait_h(bench.dice.uniform(1.5, 4.0))
    moves.end(bench)
    bench.wait(300.0)


def ordinary(bench: Bench) -> None:
    """A batch with nothing unusual: filled, salted, released, used by word."""
    moves.brew(bench)
    bench.wait_h(bench.dice.uniform(1.0, 10.0))
    marks = bench.judge.marks
    marks.ordinary += 1
    if bench.judge.questions:
        marks.needless += 1
        bench.judge.fault(bench.scene(), "a question in an ordinary batch")
    moves.end(bench)
    bench.wait(300.0)
