"""What hands do to the probe."""

from __future__ import annotations

from typing import TYPE_CHECKING

from simulators.seawater import conductivity
from tests.campaigns.hands import moves

if TYPE_CHECKING:
    from collections.abc import Callable

    from tests.campaigns.hands.bench import Bench

KCL_PER_C = 0.0191
"""Rise of a potassium chloride solution's conductivity with temperature, share of that at 25 °C.

Source: none; between the 1.8 and 2.0 % per °C of common practice.
"""
LOW_MS_CM, HIGH_MS_CM = (1.413, 12.88), (50.0, 53.07)
SEAWATER_STANDARD = 53.07


def lifted(seconds: float) -> Callable[[Bench], None]:
    """Return the story of a probe that hangs in air for about so long."""

    def story(bench: Bench) -> None:
        """The probe is lifted into air and put back."""
        phase = bench.draw.phase
        moves.reach(bench, phase)
        batch = bench.batch
        moves.to_air(bench, seconds * bench.dice.uniform(0.9, 1.1))
        moves.put_back(bench)
        moves.go_on(bench, phase, batch)

    return story


def beaker_of_tap_water(bench: Bench) -> None:
    """The probe is stood in tap water, for a minute or forgotten there for hours."""
    phase = bench.draw.phase
    moves.reach(bench, phase)
    batch = bench.batch
    _drip(bench)
    seconds = 60.0 * 120.0 ** bench.dice.random()
    tap_mS_cm = bench.dice.uniform(0.1, 0.8)
    moves.to_beaker(bench, tap_mS_cm, bench.dice.uniform(10.0, 28.0), seconds)
    _drip(bench)
    moves.put_back(bench)
    moves.go_on(bench, phase, batch)


def reference(values: tuple[float, ...]) -> Callable[[Bench], None]:
    """Return the story of a probe in one of these reference solutions, mS/cm at 25 °C."""

    def story(bench: Bench) -> None:
        """The probe is rinsed, stood in a reference solution, rinsed and put back."""
        phase, dice = bench.draw.phase, bench.dice
        moves.reach(bench, phase)
        batch = bench.batch
        _rinse(bench)
        # At room temperature or from the fridge or a warm hand: not as the tank.
        away_C = dice.choice((-1.0, 1.0)) * dice.uniform(1.5, 8.0)
        beaker_C = bench.stage.reservoir.temperature_C + away_C
        forgotten = dice.random() < 0.25
        seconds = dice.uniform(3600.0, 10800.0) if forgotten else dice.uniform(180.0, 1200.0)
        moves.to_beaker(bench, _at(dice.choice(values), beaker_C), beaker_C, seconds)
        _rinse(bench)
        moves.put_back(bench)
        moves.go_on(bench, phase, batch)

    return story


def _at(value_mS_cm: float, temperature_C: float) -> float:
    """Return the conductivity of a reference solution at its own temperature, mS/cm."""
    if value_mS_cm == SEAWATER_STANDARD:
        return conductivity(35.0, temperature_C)
    return value_mS_cm * (1.0 + KCL_PER_C * (temperature_C - 25.0))


def _drip(bench: Bench) -> None:
    moves.to_air(bench, bench.dice.uniform(5.0, 60.0))


def _rinse(bench: Bench) -> None:
    _drip(bench)
    purified_mS_cm = bench.dice.uniform(0.003, 0.02)
    moves.to_beaker(
        bench, purified_mS_cm, bench.dice.uniform(18.0, 26.0), bench.dice.uniform(15.0, 60.0)
    )
    _drip(bench)


def washed(bench: Bench) -> None:
    """The probe is washed: in and out several times, through air and rinse."""
    phase, dice = bench.draw.phase, bench.dice
    moves.reach(bench, phase)
    batch = bench.batch
    for _ in range(dice.randint(3, 6)):
        if dice.random() < 0.5:
            moves.to_air(bench, dice.uniform(10.0, 60.0))
        else:
            _rinse(bench)
        moves.put_back(bench)
        bench.wait(dice.uniform(10.0, 180.0))
    moves.go_on(bench, phase, batch)


def out_while_refilled(bench: Bench) -> None:
    """The probe hangs in air while the vessel is emptied and refilled, and then comes back."""
    dice = bench.dice
    moves.reach(bench, moves.kept_phase(bench.draw.phase))
    moves.to_air(bench, dice.uniform(30.0, 1800.0))
    moves.drain(bench, dice.uniform(0.0, 0.3))
    bench.wait(dice.uniform(0.0, 1800.0))
    moves.fill(bench)
    bench.wait(dice.uniform(0.0, 1800.0))
    moves.put_back(bench)
    bench.wait(dice.uniform(300.0, 3600.0))
    moves.salt(bench)
    moves.settle(bench)
    bench.wait(2400.0)
    moves.end(bench)
    bench.wait(300.0)
