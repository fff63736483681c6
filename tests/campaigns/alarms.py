"""Alarms put to the proof: none for nothing, and the right one first for each fault, in time.

    python -m tests.campaigns.alarms --batches 500 --faults 20 --seed 1

Batches with nothing wrong are mixed, kept for five hours and used, with the noise, bubbles and
lost replies of an ordinary probe in a room of ordinary warmth and draught; whatever is raised then
is for nothing, and what is gone again within a minute is a nuisance besides.  Each fault is brought
about many times, with other seeds.  Exit 0, or 1 when anything was raised for nothing, or there
was a fault whose alarm was not the first or came late.
"""

from __future__ import annotations

import argparse
import random
import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from statistics import median

from daemon.entries import Event, Kind, Phase
from daemon.mixing.batch.advice import Vessel
from daemon.mixing.batch.lifecycle import BatchSettings
from daemon.mixing.seawater.uncertainty import ProbeUncertainty
from simulators.scenarios import mix_for, plain_batch, purified_g
from simulators.stage import Stage
from tests.campaigns.alarm_faults import BAND_C, FAULTS, FILL_L, HOUR_S, Corner, Fault
from tests.parts.events import facts_in

SETTINGS = BatchSettings(
    target_ppt=34.0,
    tolerance_ppt=1.0,
    vessel=Vessel(FILL_L, 220.0, 0.881),
    temperature_range_C=BAND_C,
)
WORTH = ProbeUncertainty(conductivity_percent=0.5, temperature_C=0.1)
CLUMSY = 0.003
INSIDE_C = 0.5
"""A room at rest is so far inside the band of the water, °C."""
DRAUGHTY_G_H = 60.0
KEPT_S = 5 * HOUR_S
NUISANCE_S = 60.0
AFTER_S = 600.0
"""How long a fault is watched beyond its time."""


@dataclass(frozen=True, slots=True)
class Raised:
    """An alarm that was raised.

    Attributes:
        name: Which.
        at_s: When, s.
        lasted_s: How long its condition stood, s; None while it stands.
    """

    name: str
    at_s: float
    lasted_s: float | None


@dataclass(frozen=True, slots=True)
class Came:
    """What came of a fault.

    Attributes:
        first: The alarms that were raised first, all in one moment; empty when none was.
        after_s: How long after the fault, s.
        before: Alarms that stood or had been raised before it.
    """

    first: tuple[str, ...]
    after_s: float
    before: tuple[str, ...]

    def right(self, fault: Fault) -> bool:
        """Say whether the right alarm came in time, and no alarm at all before the fault."""
        return not self.before and fault.alarm in self.first and self.after_s <= fault.within_s


def corner(seed: int, **needs: object) -> Corner:
    """A mixing corner with an ordinary probe, the same for the same seed."""
    dice = random.Random(f"alarms/{seed}")
    usual = plain_batch()
    character = replace(
        usual.character,
        gain=1.0 + dice.gauss(0.0, WORTH.conductivity_percent / 100.0),
        temperature_offset_C=dice.gauss(0.0, WORTH.temperature_C),
        noise_share=usual.character.noise_share * dice.uniform(0.5, 4.0),
        wander_share=usual.character.wander_share * dice.uniform(0.5, 4.0),
    )
    at_C = dice.uniform(23.0, 25.0)
    story = replace(usual, actions=(), character=character, name="alarms", temperature_C=at_C)
    room = Corner(Stage.setting(story, seed), SETTINGS, WORTH, **needs)  # type: ignore[arg-type]
    dose = mix_for(34.0, water_g=purified_g(FILL_L, at_C), mix=story.mix)
    room.grams = dose * (1.0 + dice.gauss(0.0, CLUMSY))
    room.act("trouble", bubbles_per_h=dice.uniform(0.0, 4.0), dropout_chance=dice.uniform(0, 0.02))
    water = room.stage.reservoir
    water.vessel = replace(
        water.vessel,
        room_C=dice.uniform(BAND_C[0] + INSIDE_C, BAND_C[1] - INSIDE_C),
        evaporation_g_h=dice.uniform(0.0, DRAUGHTY_G_H),
    )
    return room


def ordinary(seed: int) -> Corner:
    """Mix a batch, keep it and use it; nothing goes wrong."""
    room = corner(seed)
    room.wait(600.0)
    room.say("batch.start", mass_g=round(room.grams), volume_l=FILL_L)
    room.pour(room.grams)
    room.settle()
    room.wait(KEPT_S)
    if room.phase is Phase.READY:
        room.say("batch.use")
    room.wait(600.0)
    return room


def raised(events: Sequence[Event]) -> Iterator[Raised]:
    """Yield the alarms of a record, in the order in which they were raised."""
    alarms = [event for event in events if event.kind is Kind.ALARM]
    for index, event in enumerate(alarms):
        if facts_in(event)["what"] != "raised":
            continue
        name, at_s = str(facts_in(event)["name"]), event.at.mono_s
        ends = (
            later.at.mono_s - at_s
            for later in alarms[index + 1 :]
            if facts_in(later)["name"] == name and facts_in(later)["what"] == "cleared"
        )
        yield Raised(name, at_s, next(ends, None))


def try_fault(fault: Fault, seed: int) -> Came:
    """Bring a fault about and see what comes of it."""
    room = corner(seed, **fault.needs(seed))
    fault.happen(room)
    since_s, before = room.stage.t_s, tuple(each.name for each in raised(room.events))
    if fault.alarm in before:
        return Came((), 0.0, before)
    told = len(room.events)

    def came() -> list[Raised]:
        return [*raised(room.events[told:])]

    room.until(lambda: bool(came()), fault.within_s + AFTER_S)
    found = came()
    if not found:
        return Came((), room.stage.t_s - since_s, before)
    first = tuple(each.name for each in found if each.at_s == found[0].at_s)
    return Came(first, found[0].at_s - since_s, before)


def _batches(count: int, seed: int) -> int:
    """Run ordinary batches and print what was raised, all of it for nothing; return how much."""
    found, nuisances, released = Counter[str](), Counter[str](), 0
    for number in range(count):
        room = ordinary(seed * 1_000_000 + number)
        released += bool(room.releases)
        for each in raised(room.events):
            found[each.name] += 1
            if each.lasted_s is not None and each.lasted_s <= NUISANCE_S:
                nuisances[each.name] += 1
    sys.stdout.write(f"{count} ordinary batches, {released} released\n")
    sys.stdout.write(f"raised with nothing wrong: {dict(found) or 'none'}\n")
    sys.stdout.write(f"of them gone within a minute: {dict(nuisances) or 'none'}\n")
    return found.total()


def _faults(count: int, seed: int) -> int:
    """Bring each fault about and print what came; return how often it was not right."""
    wrong = 0
    sys.stdout.write(
        f"{'fault':22} {'right':>8} {'median':>9} {'longest':>9} {'allowed':>9}  first\n"
    )
    for fault in FAULTS:
        came = [try_fault(fault, seed * 2_000_000 + number) for number in range(count)]
        right = sum(each.right(fault) for each in came)
        wrong += count - right
        delays = [each.after_s / 60.0 for each in came]
        firsts = Counter(", ".join(each.first) or "none" for each in came)
        befores = Counter(name for each in came for name in each.before)
        told = "; ".join(f"{name} {times}" for name, times in firsts.most_common())
        early = f"; before it {dict(befores)}" if befores else ""
        sys.stdout.write(
            f"{fault.name:22} {right:3} of {count:<2}"
            f" {median(delays):5.1f} min {max(delays):5.1f} min"
            f" {fault.within_s / 60.0:5.1f} min  {told}{early}\n"
        )
        sys.stdout.flush()
    return wrong


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the campaign; return 0 when everything was as it must be."""
    parser = argparse.ArgumentParser(prog="python -m tests.campaigns.alarms", description=__doc__)
    parser.add_argument("--batches", type=int, default=20)
    parser.add_argument("--faults", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args(arguments)
    idle = _batches(options.batches, options.seed) if options.batches else 0
    wrong = _faults(options.faults, options.seed) if options.faults else 0
    return 1 if idle or wrong else 0


if __name__ == "__main__":
    sys.exit(main())
