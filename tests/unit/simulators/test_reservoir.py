"""What the simulated vessel does, case by case."""

from __future__ import annotations

from dataclasses import replace
from math import exp

import gsw
import pytest

from simulators.reservoir import Reservoir
from simulators.scenarios import mix_for, purified_g
from simulators.vessel import ReservoirError, SaltMix, Vessel

AIRLESS = Vessel(evaporation_g_h=0.0)


def purified(litres: float = 180.0, vessel: Vessel = AIRLESS) -> Reservoir:
    """Return a vessel of purified water at 24 °C."""
    return Reservoir.holding(litres, salinity=0.0, temperature_C=24.0, vessel=vessel)


def test_weighed_salt_lands_at_the_salinity_it_was_weighed_for() -> None:
    """The mass balance that plans a batch and the vessel that mixes it agree at 33."""
    water = purified()
    water.pour(mix_for(33.0, water_g=purified_g(180.0), mix=SaltMix()), SaltMix(), over_s=60.0)
    water.advance(2 * 3600.0)

    assert water.true_salinity() == pytest.approx(33.0, abs=1e-9)
    assert water.salinity_at_probe() == pytest.approx(33.0, abs=1e-6)


def test_salt_for_a_batch_weighs_what_the_sum_by_hand_gives() -> None:
    """180 L at 20 °C to 33 with a yield of 0.881 needs about 7.03 kg.

    By hand: 998.2 g/L * 180 L = 179.68 kg of water, m = R*SA*W / (1 - R*SA) with
    R = 1/0.881 and SA = 0.0331556, the mix's other part being bound water.
    """
    ratio_share = 0.0331556 / 0.881
    by_hand_g = 179.68e3 * ratio_share / (1.0 - ratio_share)

    mix_g = mix_for(33.0, water_g=purified_g(180.0, 20.0), mix=SaltMix())

    assert mix_g == pytest.approx(by_hand_g, rel=1e-4)
    assert mix_g == pytest.approx(7026.0, abs=2.0)


def test_undissolved_salt_fades_at_first_order() -> None:
    """With one kind of grain the undissolved salt is exp(-t/tau) of what was poured."""
    water = purified(vessel=replace(AIRLESS, fast_s=100.0))
    water.pour(1000.0, SaltMix(salt_yield=1.0, slow_share=0.0), over_s=1e-3)
    water.advance(250.0)

    assert water.undissolved_g() == pytest.approx(1000.0 * exp(-2.5), rel=1e-4)


def test_exchange_and_dissolving_follow_their_differential_equations() -> None:
    """The closed form agrees with the same equations stepped by Runge-Kutta in the test."""
    vessel = replace(AIRLESS, fast_s=70.0, slow_s=210.0)
    water = purified(vessel=vessel)
    near_g, far_g = water.near.water_g, water.far.water_g
    water.pour(3000.0, SaltMix(salt_yield=1.0, slow_share=0.4), over_s=60.0)
    water.advance(150.0)

    def slope(t_s: float, y: tuple[float, ...]) -> tuple[float, ...]:
        fast, slow, near, far = y
        landing = 3000.0 / 60.0 if t_s < 60.0 else 0.0
        flow = vessel.pumped_g_s * (far / far_g - near / near_g)
        freed = fast / 70.0 + slow / 210.0
        return (0.6 * landing - fast / 70.0, 0.4 * landing - slow / 210.0, flow, freed - flow)

    y: tuple[float, ...] = (0.0, 0.0, 0.0, 0.0)
    h = 0.1
    for n in range(1500):
        # Half a step inside, so that no evaluation falls on the kink at 60 s from the wrong side.
        t_s = n * h + h / 2
        k1 = slope(t_s, y)
        k2 = slope(t_s, tuple(a + h / 2 * b for a, b in zip(y, k1, strict=True)))
        k3 = slope(t_s, tuple(a + h / 2 * b for a, b in zip(y, k2, strict=True)))
        k4 = slope(t_s, tuple(a + h * b for a, b in zip(y, k3, strict=True)))
        y = tuple(
            a + h / 6 * (p + 2 * q + 2 * r + s)
            for a, p, q, r, s in zip(y, k1, k2, k3, k4, strict=True)
        )

    ours = (water.fast.salt_g, water.slow.salt_g, water.near.salt_g, water.far.salt_g)
    assert ours == pytest.approx(y, rel=1e-7)


def test_without_the_pump_the_probe_hardly_learns_of_the_salt() -> None:
    """Ten minutes after a pour the probe of a still vessel has seen under a hundredth of it."""
    still, moved = purified(), purified()
    still.pump = False
    for water in (still, moved):
        water.pour(7000.0, SaltMix(), over_s=60.0)
        water.advance(660.0)

    assert still.true_salinity() == pytest.approx(moved.true_salinity(), abs=1e-9)
    assert still.salinity_at_probe() < 0.01 * still.true_salinity()
    assert moved.salinity_at_probe() > 0.9 * moved.true_salinity()


def test_residue_stays() -> None:
    """What does not dissolve stays for hours and adds nothing to the salinity."""
    clean, dirty = purified(), purified()
    clean.pour(881.0, SaltMix(salt_yield=1.0), over_s=30.0)
    dirty.pour(1000.0, SaltMix(salt_yield=0.881, residue=0.119), over_s=30.0)
    for water in (clean, dirty):
        water.advance(3 * 3600.0)

    assert dirty.residue_g == pytest.approx(119.0, rel=1e-9)
    assert dirty.undissolved_g() == pytest.approx(0.0, abs=1e-6)
    assert dirty.salinity_at_probe() == pytest.approx(clean.salinity_at_probe(), rel=1e-9)


def test_evaporation_takes_water_and_leaves_salt() -> None:
    """Losing 1 % of the water takes salinity 35 to 35.341: S2 = S1 / (1 - f) for f of the solution.

    By hand: the water is 0.96483 of the solution, so f = 0.0096483.
    """
    water = Reservoir.holding(
        100.0,
        salinity=35.0,
        temperature_C=24.0,
        vessel=replace(AIRLESS, evaporation_g_h=1.0),
    )
    before_g = water.water_g()
    water.vessel = replace(water.vessel, evaporation_g_h=before_g * 0.01 / 10.0)
    water.advance(10 * 3600.0)

    assert water.true_salinity() == pytest.approx(35.341, abs=5e-4)
    assert water.evaporated_g == pytest.approx(0.01 * before_g, rel=1e-9)


def test_quiet_water_takes_longer_steps_and_comes_to_the_same() -> None:
    """A warm, evaporating vessel after ten hours, left alone or looked at every second."""
    vessel = Vessel(evaporation_g_h=400.0)
    left, watched = (
        Reservoir.holding(180.0, salinity=34.0, temperature_C=28.0, vessel=vessel) for _ in range(2)
    )
    left.advance(10 * 3600.0)
    for _ in range(10 * 3600):
        watched.advance(1.0)

    assert left.quiet()
    assert watched.true_salinity() == pytest.approx(left.true_salinity(), abs=1e-9)
    assert watched.salinity_at_probe() == pytest.approx(left.salinity_at_probe(), abs=1e-3)
    assert watched.temperature_C == pytest.approx(left.temperature_C, abs=1e-9)


def test_water_with_salt_or_a_stream_in_it_is_not_quiet() -> None:
    """What changes fast keeps its short steps."""
    water = purified()
    water.fill(1.0, over_s=10.0)
    assert not water.quiet()
    water.advance(11.0)
    assert water.quiet()
    water.pour(100.0, SaltMix())
    water.advance(30.0)
    assert not water.quiet()


def test_a_fill_weighs_what_its_litres_weigh() -> None:
    """Ten litres of purified water at 20 °C weigh what the TEOS-10 density says, to 1e-5."""
    water = purified(100.0)
    before_g = water.water_g()
    water.fill(10.0, temperature_C=20.0, over_s=30.0)
    water.advance(31.0)

    theirs_g = 10.0 * gsw.rho_t_exact(0.0, 20.0, 0.0)
    assert water.water_g() - before_g == pytest.approx(theirs_g, rel=1e-5)


def test_cold_water_cools_by_its_share() -> None:
    """20 kg at 14 °C into 80 kg at 24 °C, before the room has its say, gives 22 °C."""
    water = purified(80.0, replace(AIRLESS, heat_time_s=1e9))
    water.fill(20.0, temperature_C=14.0, over_s=10.0)
    water.advance(10.0)

    assert water.temperature_C == pytest.approx(22.0, abs=0.02)


def test_the_water_takes_on_the_temperature_of_the_room() -> None:
    """After one time constant a gap to the room is down to exp(-1) of itself."""
    water = purified(vessel=replace(AIRLESS, room_C=20.0, heat_time_s=3600.0))
    water.advance(3600.0)

    assert water.temperature_C == pytest.approx(20.0 + 4.0 * exp(-1.0), abs=1e-9)


def test_drawing_off_leaves_the_salinity_alone() -> None:
    """Half the volume gone is half of everything gone."""
    water = Reservoir.holding(100.0, salinity=34.0, temperature_C=24.0, vessel=AIRLESS)
    water.draw(50.0, over_s=60.0)
    water.advance(60.0)

    assert water.volume_l() == pytest.approx(50.0, abs=1e-6)
    assert water.true_salinity() == pytest.approx(34.0, abs=1e-9)


def test_salt_in_a_dry_vessel_waits_for_water() -> None:
    """Salt poured before the water does not dissolve, and does once water is there."""
    water = Reservoir(vessel=AIRLESS)
    water.pour(1000.0, SaltMix(), over_s=10.0)
    water.advance(600.0)

    assert water.undissolved_g() == pytest.approx(881.0, rel=1e-9)
    assert water.salinity_at_probe() == 0.0

    water.fill(30.0, over_s=60.0)
    water.advance(3 * 3600.0)

    assert water.salinity_at_probe() == pytest.approx(water.true_salinity(), abs=1e-6)


@pytest.mark.parametrize(
    "what,says",
    [
        (lambda water: water.fill(41.0), "does not fit"),
        (lambda water: water.draw(181.0), "holds 180.0 L"),
        (lambda water: water.pour(-5.0, SaltMix()), "more than 0"),
        (lambda water: water.fill(1.0, over_s=0.0), "more than 0"),
        (lambda _: SaltMix(salt_yield=0.9, residue=0.2), "1 at most"),
        (lambda _: Vessel(near_share=1.0), "near_share"),
    ],
)
def test_what_cannot_be_is_refused_with_a_sentence(what: object, says: str) -> None:
    """An impossible action is an error that says why, and changes nothing."""
    water = purified()
    assert callable(what)

    with pytest.raises(ReservoirError, match=says):
        what(water)
    water.advance(5.0)
    assert water.volume_l() == pytest.approx(180.0, abs=1e-6)
