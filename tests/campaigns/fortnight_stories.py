"""What happens in the mixing corner on the days of a fortnight."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import TypeAlias

from daemon.entries import JSON, Phase
from daemon.mixing.batch import lots
from daemon.mixing.batch.advice import Vessel
from daemon.mixing.batch.lifecycle import BatchSettings
from daemon.mixing.seawater import dosing
from daemon.mixing.seawater.uncertainty import ProbeUncertainty
from simulators.vessel import SaltMix
from tests.campaigns.rooms import Room

FILL_L, CAPACITY_L, HEEL_L = 180.0, 220.0, 27.0
SETTINGS = BatchSettings(
    target_ppt=34.0, tolerance_ppt=1.0, vessel=Vessel(FILL_L, CAPACITY_L, dosing.COMMON_YIELD)
)
WORTH = ProbeUncertainty(conductivity_percent=0.5, temperature_C=0.1)
LOT = "tub-7"
TRUE_YIELD = 0.872
CLUMSY = 0.003
IMPURE_US_CM = 60.0
LEAKY_LID_G_H = 550.0
USUAL_LID_G_H = 20.0
DAY_H = 24.0
MOST_CORRECTIONS = 3
UNSEEN_PPT = 0.3
"""What water may drift after its release before it is judged again."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """How one batch came out.

    Attributes:
        story: What was done with it.
        ended: "used" or "discarded", or the phase that it was left in.
        releases: How often it was released.
        corrections: How often the keeper did what was advised.
        alarms: Which were raised in its time, in order of their names.
        true: True salinity at its last release; None without one.
    """

    story: str
    ended: str
    releases: int
    corrections: int
    alarms: tuple[str, ...]
    true: float | None = None


@dataclass
class Fortnight:
    """The room, the dice, and what was done so far.

    Attributes:
        room: Where it happens.
        dice: Of the weighings.
        corrections: By batch.
        stories: By batch.
    """

    room: Room
    dice: random.Random
    corrections: dict[str, int] = field(default_factory=dict)
    stories: dict[str, str] = field(default_factory=dict)

    def clumsy(self) -> float:
        """Factor between what is weighed and what is poured."""
        return 1.0 + self.dice.gauss(0.0, CLUMSY)

    def plan_salt(self, heel_l: float = 0.0, heel: float = 0.0) -> float:
        """Plan the salt for the water that is there and say so; return the grams to weigh."""
        known = lots.estimate(self.room.station.state.lots[LOT], self.room.stage.t_s)
        planned = dosing.plan(
            FILL_L, SETTINGS.target_ppt, known.value, 24.0, heel_volume_l=heel_l, heel_salinity=heel
        )
        facts: dict[str, JSON] = {"mass_g": round(planned.salt_g), "volume_l": FILL_L, "lot": LOT}
        if heel_l:
            facts |= {"heel_volume_l": heel_l, "heel_salinity": heel}
        self.room.say("batch.start", **facts)
        return float(round(planned.salt_g))

    def refill(self, heel_l: float = HEEL_L) -> float:
        """Draw down, refill onto the heel and plan for it; return the grams to weigh."""
        heel = self.room.salinity
        self.room.draw_down_to(heel_l)
        self.room.fill(FILL_L - heel_l)
        self.room.wait(600.0)
        return self.plan_salt(heel_l, heel)

    def mix(self, grams: float) -> None:
        """Pour, wait for the verdict, and do what is advised until it is released."""
        self.room.pour(grams)
        self.room.settle()
        self.put_right()

    def put_right(self) -> None:
        """Do what is advised until the batch is released."""
        for _ in range(MOST_CORRECTIONS):
            if self.room.phase is Phase.READY or not self.room.put_right(self.clumsy):
                return
            self.corrections[self.room.batch] = 1 + self.corrections.get(self.room.batch, 0)

    def use(self) -> None:
        """Use all of a released batch, five hours later."""
        if self.room.phase is Phase.READY:
            self.room.wait(5 * 3600.0, 30.0)
        if self.room.phase is Phase.READY:
            self.room.say("batch.use")


def weighed_light(days: Fortnight) -> None:
    """The first batch: fresh water, and a scale that shows 3 % too much."""
    days.room.wait(600.0)
    days.mix(days.plan_salt() * 0.97)
    days.use()


def on_a_heel(days: Fortnight) -> None:
    """Refilled onto what was left; some is used, and the rest is refilled without a word."""
    days.mix(days.refill() * days.clumsy())
    if days.room.phase is Phase.READY:
        # Nobody uses it at the very moment; a restart may put a release off by half a minute.
        days.room.wait(300.0)
        days.room.say("batch.use", volume_l=100.0)
        days.room.draw_down_to(85.0)


def salt_forgotten(days: Fortnight) -> None:
    """Told, but never poured; found out in the evening."""
    days.refill()
    days.room.wait(9 * 3600.0, 30.0)
    days.room.say("batch.discard", why="the salt still stands beside the vessel")


def impure_fill(days: Fortnight) -> None:
    """Emptied and filled from a spent purifier; refilled once the station says so."""
    room = days.room
    room.draw_down_to(0.0)
    room.wait(900.0)
    room.fill(FILL_L, impurity_uS_cm=IMPURE_US_CM)
    if room.until(lambda: "blank-impure" in room.alarms(), 3600.0):
        room.draw_down_to(0.0)
        room.fill(FILL_L)
    room.until(lambda: "blank-impure" not in room.alarms(), 3600.0)
    days.mix(days.plan_salt() * days.clumsy())
    days.use()


def lid_left_off(days: Fortnight) -> None:
    """Released, then the lid is left off overnight; put right in the morning as advised."""
    days.mix(days.refill() * days.clumsy())
    days.room.lid(LEAKY_LID_G_H)
    days.room.wait(16 * 3600.0, 30.0)
    days.room.lid(USUAL_LID_G_H)
    days.room.settle()
    days.put_right()
    days.use()


def forgotten(days: Fortnight) -> None:
    """Released and used by nobody: it goes stale and is discarded."""
    days.mix(days.refill() * days.clumsy())
    days.room.until(lambda: days.room.phase is Phase.STALE, 26 * 3600.0)
    days.room.say("batch.discard", why="too old")


def vouched_for(days: Fortnight) -> None:
    """Stale as well, but mixed again and confirmed, and then used."""
    days.mix(days.refill() * days.clumsy())
    days.room.until(lambda: days.room.phase is Phase.STALE, 26 * 3600.0)
    days.room.say("batch.confirm")
    days.use()


def caked_salt(days: Fortnight) -> None:
    """A part of the salt lies on the bottom for good: told, found short, discarded."""
    room, usual = days.room, days.room.stage.scenario
    room.stage.scenario = replace(usual, mix=SaltMix(salt_yield=TRUE_YIELD * 0.88, residue=0.12))
    room.pour(days.refill() * days.clumsy())
    room.settle()
    room.wait(1800.0)
    room.stage.scenario = usual
    room.say("batch.discard", why="a cake of salt on the bottom")


def second_bag_missed(days: Fortnight) -> None:
    """Half of what was told is poured; the other half follows once the station misses it."""
    grams = days.refill() * days.clumsy()
    days.room.pour(grams / 2)
    days.room.settle()
    days.room.until(lambda: "salt-unaccounted" in days.room.alarms(), 1800.0)
    days.room.pour(grams / 2)
    days.room.until(lambda: days.room.phase is Phase.DISSOLVING, 1800.0)
    days.room.settle()
    days.put_right()
    days.use()


def weighed_heavy(days: Fortnight) -> None:
    """A scale that shows 3 % too little."""
    days.mix(days.refill() * 1.03)
    days.use()


def plain(days: Fortnight) -> None:
    """Nothing wrong."""
    days.mix(days.refill() * days.clumsy())
    days.use()


Story: TypeAlias = tuple[Callable[[Fortnight], None], float]
STORIES: tuple[Story, ...] = (
    (weighed_light, 1),
    (on_a_heel, 1),
    (salt_forgotten, 1),
    (impure_fill, 1),
    (lid_left_off, 2),
    (forgotten, 2),
    (vouched_for, 2),
    (caked_salt, 1),
    (second_bag_missed, 1),
    (weighed_heavy, 1),
    (plain, 1),
)
"""Each batch and the days that it takes."""
