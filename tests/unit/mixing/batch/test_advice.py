"""What the daemon advises: doses that fit or do not, and what would decide."""

from __future__ import annotations

import gsw
import pytest

from daemon.mixing import cautions
from daemon.mixing.batch.advice import Vessel, correction, undecided

VESSEL = Vessel(fill_l=180.0, capacity_l=220.0, mix_yield=0.881)


@pytest.mark.parametrize(
    "salinity, asked, none", [(31.0, "salt_g", "water_l"), (37.0, "water_l", "salt_g")]
)
def test_salt_for_what_is_low_and_water_for_what_is_high(
    salinity: float, asked: str, none: str
) -> None:
    """One dose, never both, and the sentence says the same number."""
    told = correction(salinity, 34.0, VESSEL)
    amount = getattr(told, asked)

    assert isinstance(amount, float)
    assert amount > 0.0 == getattr(told, none)
    shown = f"{amount:.0f} g" if asked == "salt_g" else f"{amount:.1f} L"
    assert shown in told.advice
    assert told.fits is True


@pytest.mark.parametrize(
    "salinity, whole, first, shape",
    [
        (31.0, "salt_g", "first_salt_g", "{:.0f} g of salt mix"),
        (37.0, "water_l", "first_water_l", "{:.1f} L of purified water"),
    ],
)
def test_a_correction_is_advised_in_two_steps(
    salinity: float, whole: str, first: str, shape: str
) -> None:
    """Four fifths by its own figure, a wait for the next verdict, and then the rest."""
    told = correction(salinity, 34.0, VESSEL)
    amount, part = getattr(told, whole), getattr(told, first)
    assert isinstance(amount, float)
    assert isinstance(part, float)

    assert part == pytest.approx(0.8 * amount, abs=0.05)
    said = told.advice
    assert said.startswith(f"add {shape.format(part)} to 180 L first")
    assert "; wait until it is steady and judged again; then the rest, " in said
    assert said.index(shape.format(part)) < said.index("wait until") < said.index("the rest")


def test_salt_is_advised_with_the_cautions_of_a_plan() -> None:
    """How it goes in and what its dust does stand beside the grams, and not beside litres."""
    salt, water = (correction(each, 34.0, VESSEL).advice for each in (31.0, 37.0))

    for caution in (cautions.SALT_SLOWLY, cautions.SALT_DUST):
        assert caution in salt
        assert caution not in water


@pytest.mark.parametrize("salinity", [33.92, 34.08])
def test_a_small_correction_is_one_step_and_says_so(salinity: float) -> None:
    """Less than 0.1 ppt is less than the parts of a split could be told apart by."""
    told = correction(salinity, 34.0, VESSEL)

    assert (told.salt_g, told.water_l) == (told.first_salt_g, told.first_water_l)
    assert "in one step, as it is less than 0.1 ppt" in told.advice
    assert "the rest" not in told.advice


@pytest.mark.parametrize("salinity", [31.0, 33.95, 37.0])
def test_advice_can_be_read_on_a_narrow_screen(salinity: float) -> None:
    """Four lines of 80 columns at the most."""
    assert len(correction(salinity, 34.0, VESSEL).advice) < 4 * 62


def test_a_dose_that_does_not_fit_says_so() -> None:
    """Thinning by half does not go into 40 L of room, and what is left then needs less."""
    told = correction(41.0, 20.0, VESSEL)

    assert told.fits is False
    assert told.advice.startswith("draw some off: ")
    assert "L and the vessel holds 220 L; then work out" in told.advice


@pytest.mark.parametrize(
    "salinity, target", [(85.0, 34.0), (34.0, 0.0), (-1.0, 34.0), (float("nan"), 34.0)]
)
def test_what_cannot_be_computed_is_reported_and_not_raised(salinity: float, target: float) -> None:
    """Advice is always a sentence."""
    assert correction(salinity, target, VESSEL).advice.startswith("no correction can be reckoned: ")


@pytest.mark.parametrize("salinity", [42.5, 45.0, 68.0])
def test_water_off_the_scale_is_advised_to_be_thinned(salinity: float) -> None:
    """By a balance of salt with gsw's densities, which hold beyond the scale of salinity."""
    told = correction(salinity, 34.0, VESSEL)
    water_l = told.water_l
    assert isinstance(water_l, float)
    share = 35.16504 / 35000.0
    mass_g = 180.0 * float(gsw.rho_t_exact(1000.0 * salinity * share, 25.0, 0.0))

    assert mass_g * salinity / (mass_g + 997.047 * water_l) == pytest.approx(34.0, abs=0.02)


def test_an_undecided_batch_is_reported_where_it_would_be_released() -> None:
    """With u = 0.2 a value must lie 1.645 u inside either limit (JCGM 106:2012, guard band)."""
    text = undecided(0.6, 0.2, 33.0, 35.0, 0.95)

    assert "within limits with probability 0.60, release needs 0.95" in text
    assert "between 33.33 and 34.67 ppt" in text


def test_a_probe_that_can_never_prove_the_limits_is_named() -> None:
    """No salinity would be sure enough, so none is advised."""
    text = undecided(0.6, 1.0, 33.0, 35.0, 0.95)

    assert "with ± 2.00 ppt (k=2) this probe cannot prove 33 to 35 ppt" in text
    assert "bring it between" not in text
