"""Batches drawn by chance, and the corner in which a keeper mixes them."""

from __future__ import annotations

import random
from dataclasses import dataclass, replace

from daemon.entries import JSON, Kind, Phase
from daemon.mixing.batch import lots
from daemon.mixing.batch.advice import Vessel
from daemon.mixing.batch.lifecycle import BatchSettings
from daemon.mixing.seawater import dosing
from daemon.mixing.seawater.conformance import acceptance_interval
from daemon.mixing.seawater.uncertainty import ProbeUncertainty, salinity_u
from simulators.scenarios import plain_batch
from simulators.stage import Scenario
from simulators.vessel import SaltMix
from simulators.vessel import Vessel as Tub
from tests.campaigns.rooms import Room, a_room
from tests.parts.events import facts_in

LOT = "tub-7"
YIELD_SPREAD = 0.03
SCALE_SHARE = 0.005
MARK_SHARE = 0.01
FILL_SHARE = 0.003
OPEN_S = 600.0
WELL_INSIDE_K = 2.0
BATCHES_PER_LOT = 4


@dataclass(frozen=True, slots=True)
class Draw:
    """What is drawn for one batch, or for one lot and its batches.

    Attributes:
        story: Water, vessel, probe and salt, nothing done yet.
        settings: What the batch has to be, and the vessel as its owner believes it to be.
        worth: Uncertainty of the probe, as the station has it.
        mark: Factor from the litres believed to those in the vessel.
        heel: Share of the vessel that is old water; 0 for none.
        tells: Whether the keeper tells mass and lot.
        seed: Of noise and weighings.
    """

    story: Scenario
    settings: BatchSettings
    worth: ProbeUncertainty
    mark: float
    heel: float
    tells: bool
    seed: int


@dataclass(slots=True)
class Found:
    """How one batch came out.

    Attributes:
        target: Practical salinity wanted.
        tolerance: Allowed to either side.
        first_true: True salinity at the first verdict.
        first: Phase then.
        u: Standard uncertainty stated then.
        true: True salinity after the correction, or as `first_true` where none was made.
        last: Phase then.
        corrected: Whether a correction was made.
        released: True salinity at each release.
        minutes: From the pour to the first verdict.
    """

    target: float
    tolerance: float
    first_true: float
    first: Phase
    u: float
    true: float
    last: Phase
    corrected: bool
    released: list[float]
    minutes: float

    def verdicts(self) -> list[tuple[float, Phase]]:
        """How far the truth was from target at each verdict, and the verdict."""
        found = [(abs(self.first_true - self.target), self.first)]
        return found + [(abs(self.true - self.target), self.last)] * self.corrected

    def sure(self, k: float) -> float:
        """How far from target the truth may be to be accepted with `k` uncertainties to spare."""
        low, high = self.target - self.tolerance, self.target + self.tolerance
        span = acceptance_interval(self.u, low, high)
        return -1.0 if span is None else (span[1] - span[0]) / 2.0 - k * self.u


def draw(seed: int, number: int, what: str = "batch", lie: float = 1.0) -> Draw:
    """Draw one batch; the same for the same numbers.

    Args:
        seed: Of the campaign.
        number: Of the batch.
        what: Which of several series.
        lie: How many times larger the probe's errors are than is said of it.
    """
    dice = random.Random(f"{what}/{seed}/{number}")
    worth = ProbeUncertainty(dice.choice((0.2, 0.35, 0.5)), dice.choice((0.05, 0.1)))
    fill_l = round(20.0 * 40.0 ** dice.random(), 1)
    tolerance = dice.choice((1.0, 1.0, 1.0, 0.5))
    settings = BatchSettings(
        target_ppt=round(dice.uniform(33.0, 35.0), 1),
        tolerance_ppt=tolerance,
        vessel=Vessel(fill_l, round(1.25 * fill_l, 1), dosing.COMMON_YIELD),
    )
    return Draw(
        story=_story(dice, fill_l, worth, lie),
        settings=settings,
        worth=worth,
        mark=1.0 + dice.gauss(0.0, MARK_SHARE),
        heel=dice.choice((0.0, 0.0, dice.uniform(0.05, 0.25))),
        tells=dice.random() < 0.7,
        seed=dice.randrange(1_000_000),
    )


def _story(dice: random.Random, fill_l: float, worth: ProbeUncertainty, lie: float) -> Scenario:
    usual = plain_batch()
    noise = dice.uniform(0.5, 3.0)
    character = replace(
        usual.character,
        gain=1.0 + dice.gauss(0.0, lie * worth.conductivity_percent / 100.0),
        temperature_offset_C=dice.gauss(0.0, lie * worth.temperature_C),
        noise_share=usual.character.noise_share * noise,
        wander_share=usual.character.wander_share * noise,
        wander_s=dice.uniform(10.0, 90.0),
    )
    room_C = dice.uniform(18.0, 28.0)
    tub = Tub(
        capacity_l=1.4 * fill_l,
        # The water goes past the probe once in one to eight minutes.
        pumped_g_s=160.0 * fill_l / dice.uniform(60.0, 480.0),
        fast_s=dice.uniform(40.0, 150.0),
        slow_s=dice.uniform(120.0, 500.0),
        room_C=room_C,
        evaporation_g_h=fill_l * dice.uniform(0.02, 0.2),
    )
    mix = SaltMix(
        salt_yield=min(max(dice.gauss(dosing.COMMON_YIELD, YIELD_SPREAD), 0.78), 0.97),
        slow_share=dice.uniform(0.05, 0.35),
    )
    return replace(
        usual,
        name="release",
        actions=(),
        character=character,
        vessel=tub,
        mix=mix,
        temperature_C=room_C + dice.uniform(-2.0, 2.0),
        starts_with_l=0.05 * fill_l,
        starts_at=0.002,
    )


class Corner:
    """The room of one draw, with the clumsiness of whoever works in it."""

    def __init__(self, drawn: Draw) -> None:
        """Set the stage; nothing is done yet."""
        self.drawn = drawn
        self.dice = random.Random(f"clumsy/{drawn.seed}")
        self.fill_l = drawn.settings.vessel.fill_l
        heel_l = drawn.heel * self.fill_l
        self.heel = (heel_l, drawn.settings.target_ppt if heel_l else 0.0)
        story = drawn.story
        if heel_l:
            story = replace(
                story, starts_with_l=heel_l * drawn.mark, starts_at=drawn.settings.target_ppt
            )
        self.room: Room = a_room(story, drawn.settings, drawn.worth, drawn.seed)
        self.room.wait(60.0)
        self.room.say("lot.add", name=LOT)

    def fill(self) -> None:
        """Let purified water run in up to the mark, as well as that can be read."""
        litres = self.fill_l * self.drawn.mark * (1.0 + self.dice.gauss(0.0, FILL_SHARE))
        self.room.fill(litres - self.room.stage.reservoir.volume_l(), rate=self.fill_l / 300.0)
        self.room.wait(300.0)

    def clumsy(self) -> float:
        """Factor between what is weighed and what is poured."""
        return 1.0 + self.dice.gauss(0.0, SCALE_SHARE)

    def plan(self) -> float:
        """Plan the salt and say so; return the grams to weigh."""
        room, (heel_l, heel) = self.room, self.heel
        known = lots.estimate(room.station.state.lots[LOT], room.stage.t_s)
        target, warmth = self.drawn.settings.target_ppt, self.drawn.story.temperature_C
        grams = dosing.plan(self.fill_l, target, known.value, warmth, heel_l, heel).salt_g
        if self.drawn.tells:
            facts: dict[str, JSON] = {"mass_g": grams, "volume_l": self.fill_l, "lot": LOT}
            if heel_l:
                facts |= {"heel_volume_l": heel_l, "heel_salinity": heel}
            room.say("batch.start", **facts)
        return grams

    def mix(self) -> Found:
        """Plan, pour, wait for a verdict, correct once where it is not released."""
        room = self.room
        released = len(room.releases)
        room.pour(self.plan() * self.clumsy())
        began_s = room.stage.t_s
        room.settle()
        settled_s = room.stage.t_s
        # What is undecided may still be decided by more readings.
        room.until(lambda: room.phase is not Phase.VERIFYING, OPEN_S)
        settings = self.drawn.settings
        found = Found(
            target=settings.target_ppt,
            tolerance=settings.tolerance_ppt,
            first_true=self.true,
            first=room.phase,
            u=self.stated_u(),
            true=self.true,
            last=room.phase,
            corrected=False,
            released=[],
            minutes=(settled_s - began_s) / 60.0,
        )
        if found.first is not Phase.READY:
            found.corrected = room.put_right(self.clumsy)
            room.until(lambda: room.phase is not Phase.VERIFYING, OPEN_S)
        found.true, found.last = self.true, room.phase
        found.released = [each.true for each in room.releases[released:]]
        return found

    @property
    def true(self) -> float:
        """True salinity now."""
        return self.room.stage.reservoir.true_salinity()

    def stated_u(self) -> float:
        """Standard uncertainty of the last steady salinity; of a perfect reading before any."""
        for event in reversed(self.room.events):
            if event.kind is Kind.STABILISED:
                u = facts_in(event)["salinity_u"]
                assert isinstance(u, float)
                return u
        return salinity_u(52.0, 24.0, self.drawn.worth)
