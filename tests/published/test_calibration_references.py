"""Reference solutions against the tables and definitions they are taken from.

The figures below are typed again from their sources and not imported.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from itertools import combinations, pairwise

import pytest

from calibration.curves import OutsideTable, ValueTable, cubic
from calibration.references import (
    Reference,
    air,
    own_table,
    prepared,
    published,
    seawater,
    value_at,
)
from calibration.solution import ReferenceSolution, Tolerance
from calibration.tables import PUBLISHED

PERCENT = 0.0002
"""0.02 %, relative."""

TEMPERATURES_C = (0.0, 5.0, 10.0, 15.0, 18.0, 20.0, 25.0, 30.0, 35.0, 40.0, 45.0, 50.0)

IUPAC_US_CM = {
    "0.01": (772.92, 890.96, 1013.95, 1141.45, 1219.93, 1273.03, 1408.23, 1546.63, 1687.79,
             1831.27, 1976.62, 2123.43),
    "0.1": (7116.85, 8183.70, 9291.72, 10437.1, 11140.6, 11615.9, 12824.6, 14059.2, 15316.0,
            16591.0, 17880.6, 19180.9),
    "1.0": (63488, 72030, 80844, 89900, math.nan, 99170, 108620, 118240, 127970, 137810, 147720,
            157670),
}  # fmt: skip
"""Source: Pratt, Koch, Wu and Berezansky (2001), Pure Appl. Chem. 73, 1783, table of results."""

ROWS = [
    (molality, t, value / 1000.0)
    for molality, values in IUPAC_US_CM.items()
    for t, value in zip(TEMPERATURES_C, values, strict=True)
    if not math.isnan(value)
]
INNER_ROWS = [row for row in ROWS if 0.0 < row[1] < 50.0]


@pytest.mark.parametrize("molality, temperature_C, expected", ROWS)
def test_primary_standards_have_their_published_values(
    molality: str, temperature_C: float, expected: float
) -> None:
    """Each molality gives the value of the IUPAC table at every tabulated temperature."""
    reference = published(f"kcl-{molality}-mol-kg")

    assert pytest.approx(expected, rel=1e-9) == (
        value_at(reference, temperature_C).conductivity_mS_cm
    )


@pytest.mark.parametrize("molality, temperature_C, expected", INNER_ROWS)
def test_a_row_held_out_of_the_table_is_found_again(
    molality: str, temperature_C: float, expected: float
) -> None:
    """The interpolation tells a row it was not given to 0.02 %."""
    kept = [(t, v) for m, t, v in ROWS if m == molality and t != temperature_C]
    table = ValueTable("held out", tuple(t for t, _ in kept), tuple(v for _, v in kept))

    assert pytest.approx(expected, rel=PERCENT) == cubic(table, temperature_C)


@pytest.mark.parametrize(
    "molality, coefficients",
    [
        ("0.01", (772.920, 23.0833, 0.107835, -5.87573e-4, 3.264e-8)),
        ("0.1", (7116.848, 209.0076, 0.898303, -5.03953e-3, -3.448e-7)),
        ("1.0", (63487.96, 1679.384, 6.00692, -3.87599e-2, 6.5268e-6)),
    ],
)
def test_between_the_rows_it_follows_a_smooth_fit(
    molality: str, coefficients: tuple[float, ...]
) -> None:
    """At every half degree it is within 0.02 % of a quartic fitted to the whole IUPAC table."""
    reference = published(f"kcl-{molality}-mol-kg")
    worst = 0.0
    for half in range(101):
        t = half / 2.0
        fitted = sum(c * t**power for power, c in enumerate(coefficients)) / 1000.0
        worst = max(worst, abs(value_at(reference, t).conductivity_mS_cm / fitted - 1.0))

    assert worst < PERCENT


def test_a_solution_made_in_air_conducts_what_its_water_does_too() -> None:
    """The water's own 1.10 µS/cm at 25 °C are added, as the last column of the table demands."""
    made = value_at(prepared("kcl-0.01-mol-kg", 0.1), 25.0)

    assert pytest.approx(1.40933, abs=1e-9) == made.conductivity_mS_cm


@pytest.mark.parametrize(
    "demal, temperature_C, international_us_cm",
    [
        ("1.0", 0.0, 65176.0),
        ("1.0", 18.0, 97838.0),
        ("1.0", 25.0, 111342.0),
        ("0.1", 0.0, 7138.0),
        ("0.1", 18.0, 11167.0),
        ("0.1", 25.0, 12856.0),
        ("0.01", 0.0, 773.6),
        ("0.01", 18.0, 1220.5),
        ("0.01", 25.0, 1408.8),
    ],
)
def test_demal_solutions_have_their_published_values(
    demal: str, temperature_C: float, international_us_cm: float
) -> None:
    """The series of ASTM D1125 (from memory) holds, times 0.9995 from the international ohm."""
    value = value_at(published(f"kcl-{demal}-demal"), temperature_C).conductivity_mS_cm

    assert pytest.approx(international_us_cm * 0.9995 / 1000.0, rel=PERCENT) == value


@pytest.mark.parametrize("demal, expected", [("1.0", 111.31), ("0.1", 12.852), ("0.01", 1.4083)])
def test_demal_solutions_agree_with_the_legal_values(demal: str, expected: float) -> None:
    """OIML R 56 (1981), from memory, gives the same at 25 °C within 0.05 %."""
    value = value_at(published(f"kcl-{demal}-demal"), 25.0).conductivity_mS_cm

    assert pytest.approx(expected, rel=5e-4) == value


@pytest.mark.parametrize(
    "demal, computed_us_cm",
    [
        ("1.0", (65130.0, 97807.0, 111289.0)),
        ("0.1", (7133.0, 11162.0, 12853.0)),
        ("0.01", (773.2, 1220.25, 1408.6)),
    ],
)
def test_demal_solutions_agree_with_an_equation_of_their_own(
    demal: str, computed_us_cm: tuple[float, ...]
) -> None:
    """At 0, 18 and 25 °C the series is within 0.04 % of what its masses conduct.

    Source: McKee (2009), J. Solution Chem. 38, 1155, for 71.1352, 7.41913 and 0.745263 g/kg.
    """
    reference = published(f"kcl-{demal}-demal")
    ratios = [
        value_at(reference, t).conductivity_mS_cm / (computed / 1000.0)
        for t, computed in zip((0.0, 18.0, 25.0), computed_us_cm, strict=True)
    ]

    assert pytest.approx([1.0, 1.0, 1.0], abs=4e-4) == ratios


SPARSE = [
    (key, t) for key, each in PUBLISHED.items() if each.likeness
    for t in each.table.temperatures_C[1:-1]
]  # fmt: skip


@pytest.mark.parametrize("key, held_out_C", SPARSE)
def test_a_row_held_out_of_a_sparse_table_is_found_by_likeness(key: str, held_out_C: float) -> None:
    """Following the shape of the like primary standard, a missing row is told to 0.02 %.

    The demal tables have three rows: with the middle one gone only the ends, 25 °C apart, are
    left, and the measurements of 1933 themselves differ from those of 2001 by up to 0.04 %.
    """
    allowed = 4e-4 if key.endswith("demal") else PERCENT
    whole = PUBLISHED[key]
    rows = dict(zip(whole.table.temperatures_C, whole.table.values, strict=True))
    expected = rows.pop(held_out_C)
    without = replace(whole, table=ValueTable("held out", tuple(rows), tuple(rows.values())))

    assert pytest.approx(expected, rel=allowed) == without.conductivity_mS_cm(held_out_C)


def test_the_solution_that_defines_salinity_conducts_what_it_was_found_to() -> None:
    """At 15 °C (IPTS-68) it has 42.914 mS/cm.  Source: Culkin and Smith (1980)."""
    value = value_at(published("kcl-pss-78"), 15.0 / 1.00024)

    assert pytest.approx(42.914, rel=1e-6) == value.conductivity_mS_cm


def test_seawater_of_salinity_35_conducts_the_constant_of_the_scale() -> None:
    """C(35, 15, 0) is 42.914 mS/cm.  Source: UNESCO 44 (1983)."""
    value = value_at(seawater(35.0), 15.0 / 1.00024)

    assert pytest.approx(42.914, rel=1e-6) == value.conductivity_mS_cm


@pytest.mark.parametrize(
    "rt_ratio, t68, salinity",
    [(1.0, 15.0, 35.0), (0.5, 15.0, 16.28613), (0.1, 25.0, 2.85526)],
)
def test_seawater_is_the_inverse_of_the_published_scale(
    rt_ratio: float, t68: float, salinity: float
) -> None:
    """What PSS-78 calls a salinity conducts the ratio it was computed from.

    Source: UNESCO 44 (1983), with rt of page 8 written out here.
    """
    c = (0.6766097, 2.00564e-2, 1.104259e-4, -6.9698e-7, 1.0031e-9)
    rt = sum(each * t68**power for power, each in enumerate(c))
    value = value_at(seawater(salinity), t68 / 1.00024)

    assert pytest.approx(42.914 * rt * rt_ratio, rel=2e-6) == value.conductivity_mS_cm


def test_the_defining_solution_is_seawater_only_at_15_degrees() -> None:
    """At 25 °C it conducts about 1.4 % less than seawater of salinity 35, and at 15 °C the same."""
    kcl, sea = published("kcl-pss-78"), seawater(35.0)
    ratios = [
        value_at(kcl, t).conductivity_mS_cm / value_at(sea, t).conductivity_mS_cm
        for t in (15.0 / 1.00024, 25.0)
    ]

    assert pytest.approx([1.0, 0.9861], abs=5e-4) == ratios


def test_a_bottle_of_53_is_not_seawater() -> None:
    """A KCl bottle labelled 53.0 conducts 1.4 % more than the like seawater at 15 °C.

    Source: McKee (2009) against PSS-78.
    """
    kcl = value_at(published("kcl-53-0"), 15.0).conductivity_mS_cm
    sea = value_at(seawater(34.9473), 15.0).conductivity_mS_cm

    assert pytest.approx(1.0141, abs=6e-4) == kcl / sea


@pytest.mark.parametrize(
    "key, label, temperature_C, handbook",
    [
        ("kcl-1413", 1.413, 15.0, 1.147),
        ("kcl-1413", 1.413, 20.0, 1.278),
        ("kcl-1413", 1.413, 30.0, 1.552),
        ("kcl-12-88", 12.88, 15.0, 10.48),
        ("kcl-12-88", 12.88, 20.0, 11.67),
        ("kcl-12-88", 12.88, 30.0, 14.12),
    ],
)
def test_sold_solutions_agree_with_the_table_in_circulation(
    key: str, label: float, temperature_C: float, handbook: float
) -> None:
    """The common label tables (printed to four figures) agree within 0.2 %."""
    reference = published(key, ReferenceSolution("Q-1", 0.5), label_mS_cm=label)

    assert pytest.approx(handbook, rel=0.002) == (
        value_at(reference, temperature_C).conductivity_mS_cm
    )


def test_a_label_speaks_of_25_degrees_and_not_of_the_bottle_in_hand() -> None:
    """A bottle labelled 53.0 conducts 9 to 10 % less at 20 °C, which is four of salinity."""
    reference = published("kcl-53-0", ReferenceSolution("Q-1", 0.5), label_mS_cm=53.0)

    assert pytest.approx(-0.0909, abs=0.0005) == (
        value_at(reference, 20.0).conductivity_mS_cm / 53.0 - 1.0
    )


def test_every_value_says_where_it_comes_from_and_how_sure_it_is() -> None:
    """A value without a source or an uncertainty would not satisfy an auditor."""
    bottle = ReferenceSolution("Q-1", 0.5, Tolerance.COVERAGE_2)
    every = [
        published("kcl-0.1-mol-kg"),
        published("kcl-53-0", bottle),
        seawater(35.0, bottle=bottle),
        own_table("bottle", {15.0: 43.0, 25.0: 53.0}, bottle),
        air(),
    ]

    assert [] == [r.name for r in every if not value_at(r, 20.0).source]
    assert [] == [r.name for r in every if value_at(r, 20.0).u_mS_cm <= 0.0]


def test_the_meaning_of_a_tolerance_decides_its_weight() -> None:
    """± 0.5 % is 0.25 % standard with k = 2 and 0.29 % as limits.  Source: JCGM 100:2008, 4.3."""
    bottle = ReferenceSolution("Q-1", 0.5, Tolerance.COVERAGE_2)
    table = {20.0: 40.0, 30.0: 48.0}
    u = [
        value_at(own_table("its rows alone", table, each), 20.0).u_mS_cm / 40.0
        for each in (bottle, replace(bottle, tolerance=Tolerance.LIMITS))
    ]

    assert pytest.approx([0.0025, 0.005 / math.sqrt(3.0)], rel=1e-9) == u


def _curve(of: Reference) -> Callable[[float], float]:
    return lambda at: value_at(of, at).conductivity_mS_cm


CURVES = {
    f"KCl {molality}": (
        tuple(t for t, v in zip(TEMPERATURES_C, row, strict=True) if not math.isnan(v)),
        _curve(published(f"kcl-{molality}-mol-kg")),
    )
    for molality, row in IUPAC_US_CM.items()
} | {
    f"S {salinity:g}": ((-2.0, 5.0, 15.0, 20.0, 25.0, 35.0), _curve(seawater(salinity)))
    for salinity in (2.0, 35.0, 42.0)
}
"""Published curves by name: temperatures that they reach, and their values."""


@pytest.mark.parametrize("name", CURVES)
@pytest.mark.parametrize("rows", [2, 3, 4])
def test_few_rows_of_its_own_are_as_uncertain_as_solutions_bend(name: str, rows: int) -> None:
    """Published tables thinned to a few rows: what lies between is within the limits stated."""
    reach, curve = CURVES[name]
    bottle = ReferenceSolution("Q-1", 0.5)
    for some in combinations(reach, rows):
        reference = own_table("thinned", {at: curve(at) for at in some}, bottle)
        for at in (*reach, *(sum(pair) / 2.0 for pair in pairwise(reach))):
            if not some[0] <= at <= some[-1]:
                continue
            found = value_at(reference, at)
            (bend,) = (each.value for each in found.causes if "rows" in each.name)
            # What the table itself is rounded to, 1e-5 of its value, besides.
            assert abs(found.conductivity_mS_cm - curve(at)) <= bend + 2e-5 * curve(at), (some, at)


def test_two_rows_ten_degrees_apart_are_uncertain_by_about_0_2_per_cent_between() -> None:
    """By hand: 3.6e-4 exp(-15 / 21) = 1.76e-4 per K², times 5 x 5 / 2 is 0.22 %; 0 at a row."""
    reference = own_table("two rows", {15.0: 43.47, 25.0: 53.0}, ReferenceSolution("Q-1", 0.5))
    between, at_row = (
        next(each for each in value_at(reference, at).causes if "rows" in each.name)
        for at in (20.0, 25.0)
    )

    assert 0.0022 == pytest.approx(between.value / 48.235, rel=0.01)
    assert 0.0 == at_row.value
    # The published curve of this solution lies 0.11 % below the straight line there.
    assert abs(48.235 - 48.182) < between.value


@pytest.mark.parametrize("temperature_C", [9.9, 30.1, math.nan])
def test_a_table_is_never_left(temperature_C: float) -> None:
    """Outside its rows a bottle has no value but a sentence that says what it covers."""
    reference = own_table("standard 53", {10.0: 38.9, 30.0: 57.9}, ReferenceSolution("Q-1", 0.5))

    with pytest.raises(OutsideTable, match=r"standard 53 .* covers 10 to 30 °C"):
        value_at(reference, temperature_C)
