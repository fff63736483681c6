"""The guide to the figures tells true ones: each is worked out again here by other means."""

from __future__ import annotations

import math
import re
from pathlib import Path

import gsw
import pytest

from daemon.config.models import Reservoir
from daemon.mixing.cautions import INDEPENDENT_CHECK
from daemon.mixing.seawater.conformance import acceptance_interval
from tests.docs.guides import documents

ROOT = Path(__file__).parents[2]
PATH = "deploy/guides/what-the-figures-mean.md"
GUIDE = (ROOT / PATH).read_text(encoding="utf-8")
PLAIN = " ".join(GUIDE.replace("**", "").split())
G_PER_KG = 35.16504 / 35.0
"""Grams of salt of reference composition in a kilogram, by practical salinity; Millero et al.
(2008)."""


def rows_below(heading: str) -> list[list[str]]:
    """The cells of the table whose first heading this is."""
    table = GUIDE[GUIDE.index(f"| {heading}") :].split("\n\n", 1)[0].splitlines()[2:]
    return [[cell.strip() for cell in row.strip("|").split("|")] for row in table]


def density(salinity: float, temperature_C: float) -> float:
    """By the library of TEOS-10, kg/m³."""
    return float(gsw.rho_t_exact(G_PER_KG * salinity, temperature_C, 0.0))


def gravity(salinity: float, sample_C: float, water_C: float) -> float:
    """Density of the sample by that of pure water, each at its own temperature, °C."""
    return density(salinity, sample_C) / density(0.0, water_C)


@pytest.mark.parametrize("row", rows_below("practical salinity"), ids=lambda row: row[0])
def test_the_table_of_salinities_is_that_of_teos_10(row: list[str]) -> None:
    """Grams by kilogram and litre, and specific gravity by three pairs of temperatures."""
    salinity = float(row[0])
    g_kg = G_PER_KG * salinity
    pairs = ((25.0, 25.0), (20.0, 20.0), (20.0, 4.0))

    assert [
        f"{g_kg:.2f}",
        f"{g_kg * density(salinity, 25.0) / 1000.0:.2f}",
        *(f"{gravity(salinity, *pair):.4f}" for pair in pairs),
    ] == row[1:]


@pytest.mark.parametrize(
    "right, taken_for, told",
    [
        ((25.0, 4.0), (25.0, 25.0), "25/4 °C instrument taken for 25/25 °C is 0.0030 too low: 4"),
        ((20.0, 4.0), (20.0, 20.0), "20/4 °C instrument taken for 20/20 °C is 0.0018 too low: 2.4"),
        ((25.0, 20.0), (20.0, 20.0), "made for 20/20 °C reads 0.0014 too low: 1.9"),
    ],
)
def test_what_a_confused_pair_costs(
    right: tuple[float, float], taken_for: tuple[float, float], told: str
) -> None:
    """In specific gravity and in ppt, near 34; what the glass of a hydrometer adds left aside."""
    lost = gravity(34.0, *taken_for) - gravity(34.0, *right)
    slope = (gravity(35.0, *taken_for) - gravity(33.0, *taken_for)) / 2.0

    said = re.search(r"(\d\.\d{4}) too low: ([\d.]+)", told)
    assert said is not None
    assert told in PLAIN
    assert float(said[1]) == pytest.approx(lost, abs=0.00005)
    assert float(said[2]) == pytest.approx(lost / slope, abs=0.06)
    assert pytest.approx(1.3, abs=0.05) == 0.001 / slope


@pytest.mark.parametrize("row", rows_below("± (k=2)"), ids=lambda row: row[0])
def test_the_acceptance_intervals_are_those_of_the_program(row: list[str]) -> None:
    """For the limits and the confidence that the guide names."""
    found = re.search(r"[\d.]+", row[0])
    assert found is not None
    confidence = Reservoir.model_fields["release_confidence"].default
    interval = acceptance_interval(float(found[0]) / 2.0, 33.0, 35.0, confidence)

    shown = "none" if interval is None else f"{interval[0]:.2f} to {interval[1]:.2f}"
    assert f"`release_confidence` ({confidence:g}, our own choice)" in PLAIN
    assert row[1].startswith(shown)


def test_two_standard_uncertainties_are_about_95_percent() -> None:
    """Of a normal distribution; and the example's ends are those of its ±."""
    assert 0.95 == pytest.approx(math.erf(2.0 / math.sqrt(2.0)), abs=0.005)
    assert "34.02 ± 0.24 ppt (k=2)" in PLAIN
    assert f"between {34.02 - 0.24:.2f} and {34.02 + 0.24:.2f}" in PLAIN


def test_the_guide_ends_with_what_released_water_still_needs_and_is_found() -> None:
    """In the words that every screen has; the first guide leads to it."""
    caution = INDEPENDENT_CHECK[:1].upper() + INDEPENDENT_CHECK[1:]

    assert PLAIN.endswith(f"{caution}.")
    assert f"({PATH})" in (ROOT / "README.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("guide", documents())
def test_every_link_of_a_page_leads_to_a_file(guide: str) -> None:
    """A link to a file that was moved helps nobody."""
    text = (ROOT / guide).read_text(encoding="utf-8")
    links = re.findall(r"\]\((?!https?:|#)([^)#]+)", text)

    assert [] == [link for link in links if not (ROOT / guide).parent.joinpath(link).exists()]
