"""Whatever is done to the simulated vessel, in whatever steps, no gram is made or lost."""

from __future__ import annotations

from dataclasses import dataclass

import gsw
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulators.instrument import Character, Instrument
from simulators.reservoir import Reservoir
from simulators.seawater import density, mass_fraction_from_salinity, salt_in_purified_water
from simulators.vessel import SaltMix, Vessel

STEPS_S = st.floats(0.01, 60.0)
DURATIONS_S = st.floats(0.5, 300.0)


@dataclass
class Ledger:
    """What the keeper knows went in, g."""

    water_g: float = 0.0
    salt_g: float = 0.0
    residue_g: float = 0.0


@dataclass(frozen=True)
class Deed:
    """One thing done, and how long it is left to run."""

    verb: str
    amount: float
    over_s: float
    steps_s: tuple[float, ...]


DEEDS = st.lists(
    st.builds(
        Deed,
        verb=st.sampled_from(["fill", "pour", "draw", "pump", "wait"]),
        amount=st.floats(0.1, 10.0),
        over_s=DURATIONS_S,
        steps_s=st.lists(STEPS_S, min_size=1, max_size=8).map(tuple),
    ),
    max_size=6,
)
MIXES = st.builds(
    SaltMix,
    salt_yield=st.floats(0.3, 0.9),
    residue=st.floats(0.0, 0.1),
    slow_share=st.floats(0.0, 1.0),
    heat_J_per_g=st.floats(-100.0, 100.0),
)


def do(deed: Deed, water: Reservoir, mix: SaltMix, ledger: Ledger) -> None:
    """Do one deed and keep the books from what was asked, not from what the vessel says."""
    if deed.verb == "fill":
        poured_g = deed.amount * density(0.0, 18.0)
        salt_g = poured_g * salt_in_purified_water(8.0) / 1000.0
        water.fill(deed.amount, impurity_uS_cm=8.0, temperature_C=18.0, over_s=deed.over_s)
        ledger.water_g += poured_g - salt_g
        ledger.salt_g += salt_g
    elif deed.verb == "pour":
        grams = 100.0 * deed.amount
        water.pour(grams, mix, over_s=deed.over_s)
        ledger.salt_g += grams * mix.salt_yield
        ledger.residue_g += grams * mix.residue
        ledger.water_g += grams * (1.0 - mix.salt_yield - mix.residue)
    elif deed.verb == "draw":
        water.draw(deed.amount, over_s=deed.over_s)
    elif deed.verb == "pump":
        water.pump = not water.pump
    for step_s in deed.steps_s:
        water.advance(step_s)


@given(
    deeds=DEEDS,
    mix=MIXES,
    start=st.floats(0.0, 42.0),
    share=st.floats(0.02, 0.98),
    exchange_g_s=st.floats(0.0, 1e5),
)
@settings(max_examples=100)
def test_water_and_salt_are_conserved(
    deeds: list[Deed], mix: SaltMix, start: float, share: float, exchange_g_s: float
) -> None:
    """In = held + drawn + evaporated, for water, salt and residue, to a part in a thousand million.

    Some steps may be tiny and some long; rates may be far faster than a step.
    """
    vessel = Vessel(near_share=share, pumped_g_s=exchange_g_s, evaporation_g_h=500.0)
    water = Reservoir.holding(100.0, salinity=start, temperature_C=24.0, vessel=vessel)
    held_g = 100.0 * density(start, 24.0)
    salt_g = held_g * mass_fraction_from_salinity(start) / 1000.0
    ledger = Ledger(held_g - salt_g, salt_g)
    for deed in deeds:
        do(deed, water, mix, ledger)
    # Let everything that is still running in finish, so that the books are closed.
    water.advance(301.0)

    out_g = water.drawn.water_g + water.evaporated_g
    assert water.water_g() + out_g == pytest.approx(ledger.water_g, rel=1e-9)
    assert water.salt_g() + water.drawn.salt_g == pytest.approx(ledger.salt_g, rel=1e-9, abs=1e-9)
    assert water.residue_g == pytest.approx(ledger.residue_g, rel=1e-9)
    amounts = (water.near.water_g, water.far.water_g, water.near.salt_g, water.far.salt_g)
    assert min(amounts) >= 0.0


@given(steps_s=st.lists(STEPS_S, min_size=1, max_size=30), mix=MIXES, over_s=DURATIONS_S)
@settings(max_examples=40)
def test_the_cut_of_time_does_not_matter(steps_s: list[float], mix: SaltMix, over_s: float) -> None:
    """Many steps and one long one bring the same water, while it is filled and salted."""

    def begun() -> Reservoir:
        water = Reservoir.holding(100.0, salinity=5.0, temperature_C=22.0, vessel=Vessel())
        water.pour(3000.0, mix, over_s=over_s)
        water.fill(40.0, temperature_C=15.0, over_s=over_s)
        return water

    cut, whole = begun(), begun()
    for step_s in steps_s:
        cut.advance(step_s)
    whole.advance(sum(steps_s))

    assert cut.salinity_at_probe() == pytest.approx(whole.salinity_at_probe(), abs=2e-3)
    assert cut.undissolved_g() == pytest.approx(whole.undissolved_g(), rel=1e-6, abs=1e-6)
    assert cut.temperature_C == pytest.approx(whole.temperature_C, abs=2e-3)


@given(mix_g=st.floats(100.0, 8000.0), slow_share=st.floats(0.0, 1.0), over_s=DURATIONS_S)
@settings(max_examples=20)
def test_salinity_rises_to_the_truth_and_never_past_it(
    mix_g: float, slow_share: float, over_s: float
) -> None:
    """After a pour the probe's salinity only rises, the undissolved salt only falls."""
    water = Reservoir.holding(
        180.0, salinity=0.0, temperature_C=24.0, vessel=Vessel(evaporation_g_h=0.0)
    )
    water.pour(mix_g, SaltMix(slow_share=slow_share), over_s=over_s)
    water.advance(over_s)
    seen, left_g = water.salinity_at_probe(), water.undissolved_g()
    for _ in range(120):
        water.advance(30.0)
        assert water.salinity_at_probe() >= seen - 1e-12
        assert water.undissolved_g() <= left_g
        assert water.salinity_at_probe() <= water.true_salinity() + 1e-9
        seen, left_g = water.salinity_at_probe(), water.undissolved_g()

    assert seen == pytest.approx(water.true_salinity(), abs=1e-6)


@given(
    salinity=st.floats(2.1, 42.0),
    temperature_C=st.floats(10.0, 32.0),
    seed=st.integers(0, 2**31),
    mix_g=st.floats(1.0, 500.0),
)
@settings(max_examples=100)
def test_a_quiet_probe_inverts_to_the_salinity_of_its_zone(
    salinity: float, temperature_C: float, seed: int, mix_g: float
) -> None:
    """PSS-78 by the reference library (GSW) turns the probe's words back into its zone's salinity.

    Lag, noise and rounding off, whatever the seed, in the middle of mixing: so
    vessel, inverse and instrument add nothing of their own.
    """
    quiet = Character(
        conductivity_lag_s=0.0,
        temperature_lag_s=0.0,
        noise_share=0.0,
        noise_mS_cm=0.0,
        wander_share=0.0,
        temperature_noise_C=0.0,
        step_mS_cm=0.0,
        digits=15,
        step_C=0.0,
        reply="%.12f,%.12f\r",
        units="mS/cm",
    )
    water = Reservoir.holding(
        100.0, salinity=salinity, temperature_C=temperature_C, vessel=Vessel()
    )
    probe = Instrument(quiet, seed)
    water.pour(mix_g, SaltMix(), over_s=20.0)
    for n in range(12):
        water.advance(7.0)
        probe.follow(7.0, water.conductivity_at_probe(), water.temperature_C)
        conductivity, temperature = probe.speak(n * 7.0).words.decode().split(",")
        theirs = gsw.SP_from_C(float(conductivity), float(temperature), 0.0)

        assert theirs == pytest.approx(water.salinity_at_probe(), abs=1e-8)
