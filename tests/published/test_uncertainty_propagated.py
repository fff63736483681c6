"""Uncertainties that are worked out by derivatives, against drawing the inputs themselves.

Source of the method: JCGM 101:2008, propagation of distributions using a Monte Carlo
method; seeded, so that each run draws the same.
"""

from __future__ import annotations

import gsw
import numpy as np
import numpy.typing as npt
import pytest

from daemon.mixing.seawater.properties import practical_salinity, specific_gravity
from daemon.mixing.seawater.uncertainty import (
    ProbeUncertainty,
    density_u_kg_m3,
    propagate,
    salinity_u,
)

DRAWS = 200_000
WITHIN = 5.0 / (2.0 * DRAWS) ** 0.5 + 2e-3
"""Five standard errors of a drawn standard deviation, and 0.2 % for what is not straight."""
CASES = [
    (53.0, 25.0, 0.0, 0.5),
    (53.0, 25.0, 0.5, 0.1),
    (50.36, 25.0, 0.5, 0.5),
    (42.914, 15.0, 0.5, 0.1),
    (56.0, 28.0, 0.2, 0.3),
    (40.0, 20.0, 1.0, 0.0),
]

Array = npt.NDArray[np.float64]


def _drawn(
    conductivity: float, temperature: float, u_percent: float, u_C: float
) -> tuple[Array, Array]:
    chance = np.random.default_rng(106)
    conductivities = conductivity * (1.0 + u_percent / 100.0 * chance.standard_normal(DRAWS))
    temperatures = temperature + u_C * chance.standard_normal(DRAWS)
    salinities = np.asarray(gsw.SP_from_C(conductivities, temperatures, 0.0))
    densities = gsw.rho_t_exact(salinities * 35.16504 / 35.0, temperatures, 0.0)
    return salinities, np.asarray(densities)


@pytest.mark.parametrize("conductivity, temperature, u_percent, u_C", CASES)
def test_salinity_and_density_agree_with_drawn_inputs(
    conductivity: float, temperature: float, u_percent: float, u_C: float
) -> None:
    """The standard deviation of many draws is the standard uncertainty, of either answer."""
    salinities, densities = _drawn(conductivity, temperature, u_percent, u_C)
    probe = ProbeUncertainty(u_percent, u_C)
    salinity = salinity_u(conductivity, temperature, probe)
    density = density_u_kg_m3(conductivity, temperature, probe)

    assert float(salinities.std()) == pytest.approx(salinity, rel=WITHIN)
    assert float(densities.std()) == pytest.approx(density, rel=WITHIN)


def test_density_has_the_part_of_temperature_itself() -> None:
    """53 mS/cm at 25 °C ± 0.5 °C: through salinity alone it would be 0.29 kg/m3 and not 0.445."""
    probe = ProbeUncertainty(0.0, 0.5)
    through_salinity = 0.755 * salinity_u(53.0, 25.0, probe)

    assert 0.29 == pytest.approx(through_salinity, abs=0.005)
    assert 0.445 == pytest.approx(density_u_kg_m3(53.0, 25.0, probe), abs=0.002)


@pytest.mark.parametrize("conductivity, temperature, u_percent, u_C", CASES)
def test_specific_gravity_at_a_fixed_pair_follows_salinity_alone(
    conductivity: float, temperature: float, u_percent: float, u_C: float
) -> None:
    """25/25 °C speaks of the same water at 25 °C, whatever the temperature measured."""
    salinities, _ = _drawn(conductivity, temperature, u_percent, u_C)
    gravities = gsw.rho_t_exact(salinities * 35.16504 / 35.0, 25.0, 0.0) / 997.0476
    u = salinity_u(conductivity, temperature, ProbeUncertainty(u_percent, u_C))
    salinity = practical_salinity(conductivity, temperature)

    assert float(np.std(gravities)) == pytest.approx(
        propagate(specific_gravity, salinity, u, 0.0, 42.0), rel=WITHIN
    )


@pytest.mark.parametrize("conductivity, temperature", [(0.0, -2.0), (0.0, 40.0), (81.0, 40.0)])
def test_the_ends_of_the_scale_have_an_uncertainty_too(
    conductivity: float, temperature: float
) -> None:
    """A derivative at the end of a range is taken towards its inside."""
    assert 0.0 < density_u_kg_m3(conductivity, temperature, ProbeUncertainty(1.0, 0.5)) < 10.0
