"""The twenty-five things that hands do, by name, and the ordinary batch beside them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TypeAlias

from tests.campaigns.hands import things_probe, things_time, things_water
from tests.campaigns.hands.bench import Bench
from tests.campaigns.hands.draws import draw
from tests.campaigns.hands.marks import Marks
from tests.campaigns.hands.moves import UnpreparedError
from tests.campaigns.hands.story_log import StoryLog

Story: TypeAlias = Callable[[Bench], None]
ORDINARY = "ordinary"
THINGS: Mapping[str, Story] = {
    "lifted-1-min": things_probe.lifted(60.0),
    "lifted-15-min": things_probe.lifted(900.0),
    "lifted-1-h": things_probe.lifted(3600.0),
    "lifted-14-h": things_probe.lifted(14 * 3600.0),
    "beaker-of-tap-water": things_probe.beaker_of_tap_water,
    "reference-low": things_probe.reference(things_probe.LOW_MS_CM),
    "reference-high": things_probe.reference(things_probe.HIGH_MS_CM),
    "washed": things_probe.washed,
    "out-while-refilled": things_probe.out_while_refilled,
    "refilled-at-once": things_water.refilled_at_once,
    "refilled-after-hours": things_water.refilled_after_hours,
    "refilled-after-a-word": things_water.refilled_after_a_word,
    "half-drained": things_water.half_drained,
    "drawn-below-the-probe": things_water.drawn_below_the_probe,
    "two-batches-a-day": things_water.two_batches_a_day,
    "five-portions": things_water.five_portions,
    "salt-first": things_water.salt_first,
    "topped-up": things_water.topped_up,
    "dosed-twice": things_water.dosed_twice,
    "evaporation": things_time.evaporation,
    "eight-hours-without-data": things_time.eight_hours_without_data,
    "power-cut": things_time.power_cut,
    "fouling": things_time.fouling,
    "stratified-overnight": things_time.stratified_overnight,
    "tenfold-unit": things_time.tenfold_unit,
}
STORIES: Mapping[str, Story] = {**THINGS, ORDINARY: things_water.ordinary}


def play(thing: str, number: int, seed: int, log: StoryLog | None = None) -> Marks:
    """Play one story and return what it showed; the same for the same arguments."""
    bench = Bench(draw(thing, number, seed), log)
    bench.judge.marks.stories = 1
    bench.wait(60.0)
    try:
        STORIES[thing](bench)
    except UnpreparedError:
        bench.judge.marks.unprepared = 1
        bench.judge.fault(bench.scene(), f"not prepared: {bench.batch} is {bench.phase}")
    before = len(bench.judge.marks.faults)
    bench.judge.close(bench.scene())
    if log is not None:
        log.faults(bench, before)
    marks = bench.judge.marks
    marks.questions = bench.judge.questions
    marks.faults = [f"{thing} {number} ({bench.draw.phase}): {each}" for each in marks.faults]
    return marks
