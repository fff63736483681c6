"""What is drawn for one day of a keeper's: the corner, the probe, and the keeper."""

from __future__ import annotations

import random
from dataclasses import dataclass, replace

from daemon.entries import Phase
from daemon.mixing.batch.advice import Vessel
from daemon.mixing.batch.lifecycle import BatchSettings
from daemon.mixing.probe.quality import QualityLimits
from daemon.mixing.seawater import dosing
from daemon.mixing.seawater.uncertainty import ProbeUncertainty
from simulators.scenarios import plain_batch
from simulators.stage import Scenario
from simulators.vessel import SaltMix
from simulators.vessel import Vessel as Tub

PHASES = (
    Phase.READY,
    Phase.DISSOLVING,
    Phase.OFF_TARGET,
    Phase.BLANK,
    Phase.STALE,
    Phase.VERIFYING,
    Phase.IDLE,
)
"""Where a batch stands when hands come; each draw takes the next."""
PERIODS_S = (1.0, 2.0, 5.0, 10.0, 15.0, 30.0)
GAP_S = 150.0
"""Five of the longest periods, as the service takes it."""
STALE_H = 3.0
"""Use-by of a batch that has to become stale: a shorter story than of 24 h."""
SMALLEST_L, LARGEST_L = 40.0, 1000.0


@dataclass(frozen=True, slots=True)
class Draw:
    """What is drawn for one story.

    Attributes:
        thing: What hands do.
        number: Of the draw.
        seed: Of the campaign.
        phase: Where the batch stands when hands come.
        story: Water, vessel, probe and salt, nothing done yet.
        settings: What a batch has to be.
        worth: Uncertainty of the probe, as the station has it.
        period_s: Between two samples while something happens.
        start_h: Hour of the day at which it begins, UTC.
        flow_L_s: Rate of filling and drawing, L/s.
        fill_C: Temperature of the purified water, °C.
        impurity_uS_cm: Its conductivity at 25 °C, µS/cm.
        bubbles_per_h: That stick in the cell.
        dropout_chance: That a reply does not come.
        answers: Whether the keeper answers a question, after some minutes.
    """

    thing: str
    number: int
    seed: int
    phase: Phase
    story: Scenario
    settings: BatchSettings
    worth: ProbeUncertainty
    period_s: float
    start_h: float
    flow_L_s: float
    fill_C: float
    impurity_uS_cm: float
    bubbles_per_h: float
    dropout_chance: float
    answers: bool

    @property
    def full_l(self) -> float:
        """Litres of a full vessel."""
        return self.settings.vessel.fill_l

    @property
    def quality(self) -> QualityLimits:
        """Thresholds of the quality tests."""
        return QualityLimits(gap_s=GAP_S)


def draw(thing: str, number: int, seed: int) -> Draw:
    """Draw one story; the same for the same arguments."""
    dice = random.Random(f"hands/{thing}/{seed}/{number}")
    phase = PHASES[number % len(PHASES)]
    full_l = round(SMALLEST_L * (LARGEST_L / SMALLEST_L) ** dice.random(), 1)
    worth = ProbeUncertainty(dice.choice((0.2, 0.35)), dice.choice((0.05, 0.1)))
    settings = BatchSettings(
        target_ppt=round(dice.uniform(33.0, 35.0), 1),
        use_within_h=STALE_H if phase is Phase.STALE else 24.0,
        warn_before_h=1.0 if phase is Phase.STALE else 4.0,
        needs_confirmation=phase is Phase.VERIFYING,
        vessel=Vessel(full_l, round(1.3 * full_l, 1), dosing.COMMON_YIELD),
    )
    story = _story(dice, full_l, worth)
    if story.character.step_mS_cm > 0.001:
        worth = replace(worth, resolution_mS_cm=story.character.step_mS_cm)
    return Draw(
        thing=thing,
        number=number,
        seed=seed,
        phase=phase,
        story=story,
        settings=settings,
        worth=worth,
        period_s=dice.choice(PERIODS_S),
        start_h=dice.uniform(0.0, 24.0),
        flow_L_s=full_l / dice.uniform(300.0, 1500.0),
        fill_C=story.temperature_C + dice.uniform(-5.0, 2.0),
        impurity_uS_cm=dice.uniform(1.0, 15.0),
        bubbles_per_h=dice.choice((0.0, 0.5, 2.0)),
        dropout_chance=dice.choice((0.0, 0.002, 0.01)),
        answers=dice.random() < 0.5,
    )


def _story(dice: random.Random, full_l: float, worth: ProbeUncertainty) -> Scenario:
    usual = plain_batch()
    noise = dice.uniform(0.5, 3.0)
    character = replace(
        usual.character,
        conductivity_lag_s=dice.uniform(1.0, 15.0),
        temperature_lag_s=dice.uniform(5.0, 60.0),
        # Within the stated uncertainty: how well a batch is judged is not the matter here.
        gain=1.0 + 0.5 * dice.gauss(0.0, worth.conductivity_percent / 100.0),
        temperature_offset_C=0.5 * dice.gauss(0.0, worth.temperature_C),
        offset_mS_cm=dice.uniform(0.0, 0.005),
        noise_share=usual.character.noise_share * noise,
        wander_share=usual.character.wander_share * noise,
        wander_s=dice.uniform(10.0, 90.0),
        step_mS_cm=dice.choice((0.0001, 0.001, 0.01)),
        film_share=dice.uniform(0.02, 0.7),
        film_s=3.0 * 40.0 ** dice.random(),
        air_lag_s=dice.uniform(30.0, 300.0),
    )
    room_C = dice.uniform(18.0, 28.0)
    tub = Tub(
        capacity_l=1.4 * full_l,
        # The water goes past the probe once in one to eight minutes.
        pumped_g_s=160.0 * full_l / dice.uniform(60.0, 480.0),
        fast_s=dice.uniform(40.0, 150.0),
        slow_s=dice.uniform(120.0, 400.0),
        room_C=room_C,
        evaporation_g_h=full_l * dice.uniform(0.02, 0.2),
        probe_at_l=full_l * dice.uniform(0.08, 0.35),
    )
    mix = SaltMix(
        salt_yield=dice.uniform(0.83, 0.92),
        slow_share=dice.uniform(0.05, 0.35),
    )
    return replace(
        usual,
        name="hands",
        actions=(),
        character=character,
        vessel=tub,
        mix=mix,
        temperature_C=room_C + dice.uniform(-2.0, 2.0),
        starts_with_l=0.02 * full_l,
        starts_at=0.002,
    )
