"""The quality tests on readings: what each of them flags, and what it leaves alone.

Flags are those of U.S. IOOS QARTOD, Manual for Real-Time Quality Control of In-situ Temperature and
Salinity Data, version 2.0 (2016): 1 pass, 2 not evaluated, 3 suspect, 4 fail, 9 missing.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from random import Random

import gsw
import pytest

from daemon.entries import Flag, Instant, Sample
from daemon.mixing.probe.quality import FURTHER, TESTS, QualityLimits, QualityState, judge, worst
from daemon.mixing.seawater.properties import OutOfRange, practical_salinity

START = datetime(2026, 3, 2, 8, tzinfo=UTC)
LIMITS = QualityLimits()
PASS, NOT_EVALUATED, SUSPECT, FAIL, MISSING = Flag
Row = tuple[float, float | None, float | None]
"""Seconds, conductivity in mS/cm, temperature in °C."""


def flags(rows: Iterable[Row], limits: QualityLimits = LIMITS) -> list[dict[str, Flag]]:
    """The flags of each row, taken one after the other."""
    state = QualityState()
    return [judged(state, row, limits) for row in rows]


def judged(state: QualityState, row: Row, limits: QualityLimits = LIMITS) -> dict[str, Flag]:
    """The flags of one row."""
    t_s, conductivity, temperature = row
    sample = Sample(
        "mix-1", "ct-1", Instant(START + timedelta(seconds=t_s), t_s), conductivity, temperature
    )
    return judge(state, sample, salinity_of(conductivity, temperature), t_s, limits).tests


def salinity_of(conductivity: float | None, temperature: float | None) -> float | None:
    """Practical salinity, or None where there is none."""
    if conductivity is None or temperature is None:
        return None
    try:
        return practical_salinity(conductivity, temperature)
    except OutOfRange:
        return None


def conductivity(salinity: float, temperature_C: float = 24.0) -> float:
    """Conductivity of water of this salinity by the reference library, mS/cm."""
    return float(gsw.C_from_SP(salinity, temperature_C, 0.0))


def steady(count: int, salinity: float = 33.0, period_s: float = 2.0) -> list[Row]:
    """Readings of steady water with a little noise."""
    dice, level = Random(7), conductivity(salinity)
    return [
        (n * period_s, level * (1 + dice.gauss(0, 1e-4)), 24.0 + dice.gauss(0, 0.004))
        for n in range(count)
    ]


def test_steady_water_passes_every_test() -> None:
    """Nothing is wrong with water that only trembles a little."""
    last = flags(steady(30))[-1]

    assert dict.fromkeys(set(TESTS) - FURTHER, PASS) == {
        name: flag for name, flag in last.items() if name not in FURTHER
    }
    assert worst(last) is PASS


def test_the_first_reading_cannot_pass_what_needs_a_past() -> None:
    """With nothing to compare to, "cannot tell" is the answer, and it is not a pass."""
    (first,) = flags(steady(1))

    assert {"gap", "spike", "rate_of_change", "flat_line"} == {
        name for name, flag in first.items() if flag is NOT_EVALUATED and name not in FURTHER
    }
    assert worst(first) is NOT_EVALUATED


def test_no_flags_at_all_are_no_pass() -> None:
    """A reading that no test has seen is not evaluated."""
    assert worst({}) is NOT_EVALUATED


@pytest.mark.parametrize("silence_s, flag", [(2.0, PASS), (30.0, PASS), (30.1, SUSPECT)])
def test_a_silence_makes_the_next_reading_suspect(silence_s: float, flag: Flag) -> None:
    """Longer than the limit, a gap is marked; at the limit it is not."""
    rows = steady(10)

    assert flag is flags([*rows, (rows[-1][0] + silence_s, *rows[-2][1:])])[-1]["gap"]


@pytest.mark.parametrize("row", [(0.0, None, None), (0.0, 50.0, None), (0.0, None, 24.0)])
def test_half_a_value_is_a_missing_one(row: Row) -> None:
    """Without both numbers there is no reading, and nothing else is judged."""
    (found,) = flags([row])

    assert worst(found) is MISSING
    assert {NOT_EVALUATED} == {flag for name, flag in found.items() if name != "gap"}


def test_an_answer_that_could_not_be_read_fails_syntax() -> None:
    """Words instead of numbers are told apart from silence."""
    spoken = Sample("mix-1", "ct-1", Instant(START, 0.0), None, None, spoken="?!")
    silent = Sample("mix-1", "ct-1", Instant(START, 0.0), None, None)

    found = [
        judge(QualityState(), each, None, 0.0, LIMITS).tests["syntax"] for each in (spoken, silent)
    ]
    assert [FAIL, NOT_EVALUATED] == found


@pytest.mark.parametrize(
    "conductivity_mS_cm, temperature_C, flag",
    [
        (50.0, 24.0, PASS),
        (0.0, 24.0, PASS),
        (-0.2, 24.0, FAIL),
        (100.1, 24.0, FAIL),
        (50.0, -0.1, FAIL),
        (50.0, 40.1, FAIL),
        (66.0, 0.5, FAIL),  # within both ranges, and yet salinity above 80, where nothing is known
        (float("inf"), 24.0, FAIL),
        (float("nan"), 24.0, FAIL),
        (50.0, float("nan"), FAIL),
        (1e308, -1e308, FAIL),
    ],
)
def test_what_cannot_be_water_fails(
    conductivity_mS_cm: float, temperature_C: float, flag: Flag
) -> None:
    """Outside the ranges, or where practical salinity is not defined, a reading fails."""
    (found,) = flags([(0.0, conductivity_mS_cm, temperature_C)])

    assert flag is found["gross_range"]


@pytest.mark.parametrize("salinity, flag", [(41.9, PASS), (42.1, SUSPECT), (68.0, SUSPECT)])
def test_what_is_off_the_scale_is_suspect(salinity: float, flag: Flag) -> None:
    """Practical salinity ends at 42 (UNESCO 44, 1983); a figure beyond is extrapolated."""
    (found,) = flags([(0.0, conductivity(salinity), 24.0)])

    assert flag is found["scale"]


@pytest.mark.parametrize(
    "jump_ppt, flag", [(0.0, PASS), (0.2, PASS), (0.5, SUSPECT), (-0.5, SUSPECT), (-4.0, FAIL)]
)
def test_a_jump_is_judged_by_its_size(jump_ppt: float, flag: Flag) -> None:
    """A lone jump is suspect from 0.3 and fails from 3, up or down."""
    rows = [(n * 2.0, conductivity(33.0), 24.0) for n in range(5)]

    assert flag is flags([*rows, (10.0, conductivity(33.0 + jump_ppt), 24.0)])[-1]["spike"]


def test_a_spike_is_not_judged_across_a_gap() -> None:
    """What water did during a silence nobody knows."""
    rows = steady(10)

    assert (
        NOT_EVALUATED is flags([*rows, (rows[-1][0] + 60.0, conductivity(20.0), 24.0)])[-1]["spike"]
    )


@pytest.mark.parametrize(
    "period_s, change_ppt, change_C, flag",
    [
        (10.0, 9.0, 0.0, PASS),
        (10.0, 11.0, 0.0, SUSPECT),
        (10.0, 0.0, 0.6, SUSPECT),
        (60.0, 50.0 - 30.0, 2.0, PASS),
        (0.2, 0.0, 0.1, PASS),  # one step of a coarse thermometer
    ],
)
def test_water_changes_only_so_fast(
    period_s: float, change_ppt: float, change_C: float, flag: Flag
) -> None:
    """More than 60 ppt or 3 °C in a minute is suspect, whatever the sampling."""
    rows = [
        (0.0, conductivity(10.0), 24.0),
        (period_s, conductivity(10.0 + change_ppt, 24.0 + change_C), 24.0 + change_C),
    ]

    assert flag is flags(rows)[-1]["rate_of_change"]


@pytest.mark.parametrize("minutes, flag", [(9, PASS), (11, SUSPECT), (31, FAIL)])
def test_a_value_that_never_trembles_is_stuck(minutes: int, flag: Flag) -> None:
    """After ten minutes of the very same numbers a probe is suspect, after thirty it fails."""
    stuck = [(20.0 + n * 10.0, 50.0, 24.0) for n in range(minutes * 6 + 1)]

    assert flag is flags([*steady(5), *stuck])[-1]["flat_line"]


def test_a_probe_that_has_never_moved_cannot_be_called_stuck() -> None:
    """A coarse instrument in still water gives nothing to judge by."""
    found = flags((n * 10.0, 50.0, 24.0) for n in range(400))

    assert {NOT_EVALUATED} == {each["flat_line"] for each in found}


def test_a_quiet_zero_is_never_stuck() -> None:
    """Purified water reads nothing at all for hours and that says nothing about the probe."""
    filling = [(0.0, 0.9, 23.0), (10.0, 0.5, 24.0)]
    found = flags([*filling, *((20.0 + n * 10.0, 0.0, 24.0) for n in range(1000))])

    assert NOT_EVALUATED is found[-1]["flat_line"]
    assert worst(found[-1]) is NOT_EVALUATED


def test_a_silence_begins_the_count_of_equal_values_again() -> None:
    """Two equal values an hour apart do not prove that nothing trembled between them."""
    rows = [*steady(5), (20.0, 50.0, 24.0), (3620.0, 50.0, 24.0)]

    assert flags(rows)[-1]["flat_line"] is PASS


# --- immersion ----------------------------------------------------------------------------------


def lifted(period_s: float, lag_s: float, minutes: float = 2.0) -> list[Row]:
    """A probe lifted into air after a minute, with the lag of a cell that drains."""
    rows: list[Row] = []
    level, felt, t_s = conductivity(33.0), conductivity(33.0), 0.0
    while t_s < 60.0 * minutes:
        air = t_s >= 60.0
        kept = 0.0 if lag_s == 0.0 else 2.718281828 ** (-period_s / lag_s)
        felt = (0.02 + (felt - 0.02) * kept) if air else level
        rows.append((t_s, felt, 24.0))
        t_s += period_s
    return rows


@pytest.mark.parametrize("period_s", [0.2, 1.0, 2.0, 10.0])
@pytest.mark.parametrize("lag_s", [0.0, 1.0, 3.0])
def test_a_probe_lifted_into_air_fails(period_s: float, lag_s: float) -> None:
    """However often it is asked and however slowly it drains, air is not taken for water."""
    found = flags(lifted(period_s, lag_s))

    assert found[-1]["immersion"] is FAIL


def test_a_probe_put_back_passes_at_once() -> None:
    """Wet again, it is believed again."""
    rows = lifted(2.0, 0.0)
    back = [(rows[-1][0] + 2.0 * (n + 1), conductivity(33.0), 24.0) for n in range(3)]

    assert flags([*rows, *back])[-1]["immersion"] is PASS


@pytest.mark.parametrize("glitch", [95.0, 600.0, 1e9, float("inf"), float("nan")])
def test_a_glitch_upwards_makes_no_air_of_the_water_after_it(glitch: float) -> None:
    """A false height is nothing to fall from: the next true reading passes."""
    rows = [*steady(20, salinity=4.0), (40.0, glitch, 24.0)]
    back = [(42.0 + 2.0 * n, conductivity(4.0), 24.0) for n in range(5)]
    found = flags([*rows, *back])

    assert FAIL is max(found[20].values())
    assert {PASS} == {each["immersion"] for each in found[21:]}


def test_a_probe_that_hangs_dry_for_hours_is_dry_all_the_while() -> None:
    """However long it lasts, reading nothing makes no purified water of air."""
    rows = [*lifted(2.0, 0.0), *((120.0 + n * 10.0, 0.02, 24.0) for n in range(1000))]

    assert {FAIL} == {each["immersion"] for each in flags(rows)[-900:]}


@pytest.mark.parametrize("minutes", [2.0, 7.0])
def test_water_thinned_by_a_refill_is_not_air(minutes: float) -> None:
    """Purified water running onto a heel takes minutes and fails nothing."""
    count = int(minutes * 30)
    rows = [(n * 2.0, conductivity(34.0 * (1 - 0.95 * n / count)), 24.0) for n in range(count + 1)]

    assert FAIL not in {each["immersion"] for each in flags(rows)}


# --- what salt does, and what bubbles do -------------------------------------------------------


@pytest.mark.parametrize("period_s", [0.2, 0.5, 1.0, 2.0, 5.0, 10.0])
def test_a_pour_of_salt_is_not_taken_for_a_fault(period_s: float) -> None:
    """33 ppt in two minutes fails two readings at the most, however often it is sampled."""
    dice, rows, t_s = Random(3), [], 0.0
    while t_s < 300.0:
        salinity = min(max(t_s - 60.0, 0.0) / 120.0, 1.0) * 33.0
        level = conductivity(salinity) if salinity > 0 else 0.004
        rows.append((t_s, max(0.0, level * (1 + dice.gauss(0, 1e-4))), 24.0 + dice.gauss(0, 0.004)))
        t_s += period_s
    failed = [n for n, each in enumerate(flags(rows)) if worst(each) >= FAIL]

    assert len(failed) <= 2


@pytest.mark.parametrize("share", [0.7, 0.85])
def test_a_bubble_in_the_cell_fails(share: float) -> None:
    """A fall by a sixth or more from one reading to the next is no water."""
    rows = steady(20)
    t_s, level, warmth = rows[10]
    assert level is not None
    rows[10] = (t_s, level * share, warmth)
    found = [worst(each) for each in flags(rows)]

    assert found[10] is FAIL
    assert {PASS} == set(found[14:])


@pytest.mark.parametrize(
    "silence_s, in_air", [(2.0, True), (14.0, True), (60.0, False), (600.0, False)]
)
def test_purified_water_after_minutes_of_silence_is_not_taken_for_air(
    silence_s: float,
    in_air: bool,  # noqa: FBT001 - a column of the table
) -> None:
    """Nobody knows what a probe was in meanwhile: only a fall that was seen is one."""
    rows = steady(60)
    last_s = rows[-1][0]
    dry = [(last_s + silence_s + 2.0 * n, 0.004, 24.0) for n in range(5)]

    assert [in_air] * 5 == [each["immersion"] is FAIL for each in flags([*rows, *dry])[-5:]]
