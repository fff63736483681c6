"""A person who runs the guided test for compensation on a simulated instrument."""

from __future__ import annotations

from dataclasses import dataclass
from random import Random

from daemon.mixing.probe.temperature_response import Indication, ResponseVerdict
from daemon.mixing.probe.warming_test import WarmingStep, WarmingTest
from simulators.instrument import Character, Instrument
from simulators.sample_bath import SampleBath

PERIOD_S = 5.0


@dataclass(frozen=True, slots=True)
class Subject:
    """An instrument, its sample and how the person warms it.

    Attributes:
        character: The instrument; it must speak mS/cm.
        salinity: Of the sample.
        room_C: Where it starts.
        step_C: By how much it is warmed or cooled.
        drift_per_h: Of the instrument's gain, share.
        evaporation_per_h: Of the sample, share.
        bubble_share: Of a bubble that sits on the cell from the second step on.
    """

    character: Character
    salinity: float = 34.0
    room_C: float = 22.0
    step_C: float = 6.0
    drift_per_h: float = 0.0
    evaporation_per_h: float = 0.002
    bubble_share: float = 0.0


def character(
    percent_per_C: float | None = None,
    *,
    temperature_lag_s: float = 5.0,
    noise_share: float = 1.2e-4,
    wander_share: float = 0.8e-4,
    wander_s: float = 20.0,
    temperature_noise_C: float = 0.004,
    gain: float = 1.0,
) -> Character:
    """An instrument that speaks mS/cm, and compensates by so much."""
    return Character(
        compensation_percent_per_C=percent_per_C,
        temperature_lag_s=temperature_lag_s,
        noise_share=noise_share,
        wander_share=wander_share,
        wander_s=wander_s,
        temperature_noise_C=temperature_noise_C,
        gain=gain,
        units="mS/cm",
        reply="%.5f,%.3f\r",
    )


def run_warming_test(subject: Subject, seed: int) -> tuple[WarmingTest, ResponseVerdict]:
    """Do as the test says until it is over; return it and its verdict."""
    bath = SampleBath(
        Instrument(subject.character, seed),
        subject.salinity,
        subject.room_C,
        subject.room_C,
        evaporation_per_h=subject.evaporation_per_h,
    )
    test = WarmingTest(subject.character.reference_C)
    around = {
        WarmingStep.FIRST: subject.room_C,
        WarmingStep.AWAY: subject.room_C + subject.step_C,
        WarmingStep.BACK: subject.room_C,
    }
    while test.step is not WarmingStep.OVER:
        bath.around_C = around[test.step]
        if test.step is not WarmingStep.FIRST:
            bath.bubble_share = subject.bubble_share
        bath.advance(PERIOD_S)
        conductivity, temperature = map(float, bath.speak().split(b","))
        drifted = conductivity * (1.0 + subject.drift_per_h * bath.t_s / 3600.0)
        test.take(Indication(bath.t_s, drifted, temperature))
    return test, test.verdict()


def drawn(dice: Random) -> Subject:
    """A subject by chance: half are raw, half compensate; noisy, lagging, drifting, bubbly."""
    percent = None if dice.random() < 0.5 else dice.uniform(1.5, 2.5)
    return Subject(
        character(
            percent,
            temperature_lag_s=dice.uniform(1.0, 60.0),
            noise_share=10.0 ** dice.uniform(-4.5, -2.5),
            wander_share=10.0 ** dice.uniform(-4.5, -2.5),
            wander_s=dice.uniform(5.0, 40.0),
            temperature_noise_C=10.0 ** dice.uniform(-3.0, -1.3),
            gain=dice.uniform(0.95, 1.05),
        ),
        salinity=dice.uniform(20.0, 40.0),
        room_C=dice.uniform(18.0, 27.0),
        step_C=dice.choice((-6.0, 5.0, 6.0, 8.0)),
        drift_per_h=dice.gauss(0.0, 0.005),
        evaporation_per_h=dice.uniform(0.0, 0.01),
        bubble_share=dice.uniform(0.005, 0.1) if dice.random() < 0.15 else 0.0,
    )
