"""The quality tests that need more than the last readings of one probe, and every figure."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from random import Random

import gsw
import pytest

from daemon.entries import Flag, Instant, Sample
from daemon.mixing.probe.quality import (
    Judged,
    Neighbour,
    QualityLimits,
    QualityState,
    WaterContext,
    contradicted,
    judge,
)
from daemon.mixing.seawater.properties import OutOfRange, practical_salinity

START = datetime(2026, 3, 2, 8, tzinfo=UTC)
PASS, NOT_EVALUATED, SUSPECT, FAIL, MISSING = Flag
LIMITS = QualityLimits()
STEADY = WaterContext(phase="ready", steady=True)


def level(salinity: float, temperature_C: float = 24.0) -> float:
    """Conductivity of water of this salinity by the reference library, mS/cm."""
    return float(gsw.C_from_SP(salinity, temperature_C, 0.0))


def judged(
    rows: Iterable[tuple[float, float, float]],
    context: WaterContext = STEADY,
    limits: QualityLimits = LIMITS,
    state: QualityState | None = None,
) -> list[Judged]:
    """What the tests make of rows of seconds, mS/cm and °C."""
    state = state or QualityState()
    found = []
    for t_s, conductivity, temperature_C in rows:
        at = Instant(START + timedelta(seconds=t_s), t_s)
        sample = Sample("mix-1", "ct-1", at, conductivity, temperature_C)
        try:
            salinity = practical_salinity(conductivity, temperature_C)
        except OutOfRange:
            salinity = None
        found.append(judge(state, sample, salinity, t_s, limits, context))
    return found


def water(
    minutes: float,
    *,
    from_s: float = 0.0,
    salinity: float = 34.0,
    noise: float = 1e-4,
    warming_C: float = 0.0,
    period_s: float = 2.0,
) -> list[tuple[float, float, float]]:
    """Rows of water whose temperature goes evenly to another one."""
    dice, count = Random(5), round(minutes * 60.0 / period_s)
    rows = []
    for n in range(count):
        warmth = 24.0 + warming_C * n / count
        conductivity = level(salinity, warmth) * (1.0 + dice.gauss(0.0, noise))
        rows.append((from_s + n * period_s, conductivity, warmth + dice.gauss(0.0, 0.004)))
    return rows


# --- expected band ------------------------------------------------------------------------------


@pytest.mark.parametrize("seconds, flag", [(0.0, PASS), (58.0, PASS), (60.0, SUSPECT)])
def test_water_outside_its_band_is_suspect_after_a_minute(seconds: float, flag: Flag) -> None:
    """Salt is poured before the phase follows; what lasts longer is not of this phase."""
    context = WaterContext(phase="blank", band_ppt=(-1.0, 3.0))
    rows = [*water(1, salinity=0.5), *water(2, from_s=60.0, salinity=5.0)]
    found = judged(rows, context)[30 + int(seconds / 2.0)]

    assert flag is found.tests["expected_band"]


def test_a_silence_begins_the_minute_again() -> None:
    """Nobody knows where the water was meanwhile."""
    context = beside(36.0)._replace(phase="blank", band_ppt=(-1.0, 3.0))
    found = judged([*water(0.5, salinity=5.0), *water(2, from_s=3600.0, salinity=5.0)], context)

    for test in ("expected_band", "neighbour"):
        assert {PASS} == {each.tests[test] for each in found[:45]}
        assert SUSPECT is found[45].tests[test]


def test_the_band_says_what_was_expected() -> None:
    """The figure names the reading, the band and the phase."""
    context = WaterContext(phase="blank", band_ppt=(-1.0, 3.0))
    found = judged(water(2, salinity=5.0, noise=0.0), context)[-1]

    assert found.figures == {"expected_band": "5.00 ppt, expected -1.0 to 3.0 while blank"}


def test_steady_water_too_cold_for_its_reservoir_is_suspect() -> None:
    """The band of temperature counts like that of salinity."""
    context = WaterContext(phase="ready", steady=True, band_C=(26.0, 32.0))
    found = judged(water(2), context)[-1]

    assert SUSPECT is found.tests["expected_band"]
    assert "expected 26 to 32 while ready" in found.figures["expected_band"]


def test_without_a_batch_nothing_is_expected() -> None:
    """Of water that nobody knows any salinity is possible."""
    found = judged(water(2), WaterContext(phase="idle"))

    assert {NOT_EVALUATED} == {each.tests["expected_band"] for each in found}


# --- multi-variate ------------------------------------------------------------------------------


def test_water_that_warms_conducts_better_and_passes() -> None:
    """Two degrees in half an hour, and conductivity with them."""
    found = judged(water(30, warming_C=2.0))

    assert {PASS} == {each.tests["multi_variate"] for each in found}


def test_a_thermometer_that_moves_alone_is_suspect() -> None:
    """Temperature rises by 3 °C within ten minutes, and conductivity stays."""
    moved = [(t_s, c, w + 3.0 * n / 300.0) for n, (t_s, c, w) in enumerate(water(10))]
    found = judged(moved)[-1]

    assert SUSPECT is found.tests["multi_variate"]
    assert (
        "temperature moved by +3.0 °C and conductivity by +0.0%" in (found.figures["multi_variate"])
    )


def test_an_instrument_that_compensates_shows_itself_in_a_night() -> None:
    """Conductivity taken for raw that stays at 25 °C while water cools by 2.5 °C in ten hours."""
    cooled = [
        (t_s, level(34.0, 25.0), w) for t_s, _, w in water(600, warming_C=-2.5, period_s=30.0)
    ]
    found = [each.tests["multi_variate"] for each in judged(cooled)]

    assert (PASS, SUSPECT) == (found[600], found[-1])


def test_where_salt_goes_into_solution_both_may_move_as_they_like() -> None:
    """Water in which something moves proves nothing of its thermometer."""
    moved = [(t_s, c, w + 3.0 * n / 300.0) for n, (t_s, c, w) in enumerate(water(10))]
    found = judged(moved, WaterContext(phase="dissolving"))

    assert {NOT_EVALUATED} == {each.tests["multi_variate"] for each in found}


# --- attenuated signal --------------------------------------------------------------------------


def test_a_signal_that_hardly_scatters_any_more_is_suspect() -> None:
    """A tenth of its usual noise for a quarter of an hour is no water, though it still moves."""
    rows = [*water(40), *water(20, from_s=2400.0, noise=1e-5)]
    found = judged(rows)

    assert {PASS} == {each.tests["attenuated_signal"] for each in found[900:1200]}
    assert SUSPECT is found[-1].tests["attenuated_signal"]
    assert (
        "conductivity scatters by 0.0005 mS/cm within 15 min, less than 0.00"
        in (found[-1].figures["attenuated_signal"])
    )


def test_a_weak_signal_stays_suspect_however_long_it_lasts() -> None:
    """What is weak does not become the usual by lasting."""
    rows = [*water(40), *water(240, from_s=2400.0, noise=1e-5)]

    assert {SUSPECT} == {each.tests["attenuated_signal"] for each in judged(rows)[-6000:]}


def test_water_that_becomes_as_quiet_as_half_is_no_weak_signal() -> None:
    """A pump that stops takes the plumes away, and the noise of the instrument stays."""
    rows = [*water(40), *water(40, from_s=2400.0, noise=5e-5)]

    assert SUSPECT not in {each.tests["attenuated_signal"] for each in judged(rows)}


def test_a_limit_that_is_set_fails() -> None:
    """Only a person can say that so little scatter makes readings useless."""
    limits = QualityLimits(attenuated_suspect_mS_cm=0.02, attenuated_fail_mS_cm=0.001)
    rows = [*water(20), *water(20, from_s=1200.0, noise=1e-5)]
    found = [each.tests["attenuated_signal"] for each in judged(rows, limits=limits)]

    assert (NOT_EVALUATED, SUSPECT, FAIL) == (found[0], found[599], found[-1])


# --- neighbour ----------------------------------------------------------------------------------


def beside(*salinities: float, age_s: float = 2.0) -> WaterContext:
    """Other probes in the same water, each sure to 0.1 (k = 1)."""
    others = tuple(
        Neighbour(f"ct-{n}", age_s, each, 0.1) for n, each in enumerate(salinities, start=2)
    )
    return WaterContext("ready", steady=True, neighbours=others, salinity_u=0.1)


@pytest.mark.parametrize(
    "salinities, flag",
    [
        ((), NOT_EVALUATED),
        ((34.25,), PASS),
        ((34.4,), SUSPECT),
        ((33.6,), SUSPECT),
        ((34.4, 34.0), PASS),  # that one is the odd one
        ((34.4, 34.5), SUSPECT),
        ((34.4, 34.5, 34.0), SUSPECT),
    ],
)
def test_most_neighbours_decide(salinities: tuple[float, ...], flag: Flag) -> None:
    """Nearer than 0.3 ppt all agree; the reading that most contradict is suspect."""
    assert flag is contradicted(34.0, 24.0, LIMITS, beside(*salinities))[0]


def test_neighbours_that_are_unsure_contradict_less() -> None:
    """The joint uncertainty (k = 2) is allowed where it is more."""
    other = Neighbour("ct-2", 2.0, 34.5, 0.3)
    context = WaterContext("ready", neighbours=(other,), salinity_u=0.1)

    assert PASS is contradicted(34.0, 24.0, LIMITS, context)[0]


def test_a_neighbour_that_spoke_minutes_ago_says_nothing_of_now() -> None:
    """Water moves meanwhile."""
    assert NOT_EVALUATED is contradicted(34.0, 24.0, LIMITS, beside(36.0, age_s=121.0))[0]


def test_a_thermometer_beside_the_probe_contradicts_its_temperature() -> None:
    """One that only knows the temperature is a neighbour too."""
    other = Neighbour("sump", 2.0, temperature_C=25.0, temperature_u_C=0.1)
    context = WaterContext("ready", neighbours=(other,), salinity_u=0.1, temperature_u_C=0.1)

    assert (SUSPECT, "sump reads 25.00 °C, 1.00 apart, more than 0.50") == contradicted(
        34.0, 24.0, LIMITS, context
    )


def test_a_neighbour_must_contradict_for_a_minute() -> None:
    """What is poured reaches one probe before the other."""
    found = [each.tests["neighbour"] for each in judged(water(3), beside(35.0))]

    assert ({PASS}, {SUSPECT}) == (set(found[:30]), set(found[30:]))


# --- thresholds from noise, resolution and sampling rate ----------------------------------------


def test_a_noisy_instrument_is_not_suspected_at_each_reading() -> None:
    """Noise of 0.1 ppt makes jumps of 0.3; they are its usual way."""
    found = judged(water(20, noise=3e-3))
    suspect = sum(each.tests["spike"] is SUSPECT for each in found[120:])

    assert suspect <= 2


def test_noise_excuses_no_jump_beyond_half_of_a_failure() -> None:
    """A probe that jumps about cannot lift its own limit without end."""
    found = judged([*water(20, noise=3e-2), (1200.0, level(36.0), 24.0)])[-1]

    assert found.tests["spike"] >= SUSPECT


def coarse(minutes: float, step_mS_cm: float, step_C: float) -> list[tuple[float, float, float]]:
    """Water as an instrument of these steps tells it."""
    return [
        (t_s, round(c / step_mS_cm) * step_mS_cm, round(w / step_C) * step_C)
        for t_s, c, w in water(minutes)
    ]


def calm(minutes: float, row: tuple[float, float, float]) -> list[tuple[float, float, float]]:
    """The very same figures again and again."""
    return [(row[0] + 2.0 * n, *row[1:]) for n in range(1, round(minutes * 30.0) + 1)]


def test_a_coarse_instrument_in_still_water_is_not_stuck() -> None:
    """Noise that is far below its steps lets it repeat itself for hours."""
    salted = [(n * 2.0, level(34.0 - 29.0 * 2.718281828 ** (-n / 50.0)), 24.0) for n in range(600)]
    told = [(t_s, round(c * 2.0) / 2.0, w) for t_s, c, w in salted]
    found = [each.tests["flat_line"] for each in judged([*told, *calm(300, told[-1])])]

    assert {PASS} == set(found[1000:])


def test_a_fine_instrument_that_repeats_itself_is_stuck() -> None:
    """Noise that carries it across steps at each reading makes ten minutes impossible."""
    rows = coarse(10, 0.001, 0.01)
    found = [each.tests["flat_line"] for each in judged([*rows, *calm(32, rows[-1])])]

    assert (PASS, SUSPECT, FAIL) == (found[300 + 295], found[300 + 305], found[-1])


def test_a_stuck_probe_does_not_forget_what_its_noise_was() -> None:
    """However long it repeats itself, it fails."""
    rows = coarse(10, 0.001, 0.01)
    found = judged([*rows, *calm(200, rows[-1])])

    assert {FAIL} == {each.tests["flat_line"] for each in found[-5000:]}


def test_a_probe_that_freezes_before_its_noise_was_seen_fails_all_the_same() -> None:
    """Purified water is quiet, and what quiet it taught excuses no stretch that never ended."""
    blank = [(n * 2.0, 0.004, 24.0 + 0.01 * (n // 40 % 2)) for n in range(300)]
    salted = [
        (600.0 + n * 2.0, level(34.0 - 29.0 * 2.718281828 ** (-n / 50.0)), 24.0) for n in range(60)
    ]
    rows = [(t_s, round(c, 3), w) for t_s, c, w in [*blank, *salted]]
    found = [each.tests["flat_line"] for each in judged([*rows, *calm(45, rows[-1])])]

    assert FAIL is found[-1]


@pytest.mark.parametrize("period_s, flag", [(2.0, SUSPECT), (10.0, SUSPECT), (30.0, PASS)])
def test_a_slowly_sampled_plume_is_no_spike(period_s: float, flag: Flag) -> None:
    """Within 30 s water near the probe may go by 0.8 ppt from rest; within 2 s it may not."""
    rows = [(n * period_s, level(33.0), 24.0) for n in range(5)]
    limits = QualityLimits(gap_s=150.0)
    found = judged([*rows, (5 * period_s, level(33.8), 24.0)], limits=limits)[-1]

    assert flag is found.tests["spike"]


@pytest.mark.parametrize("jump_ppt, flag", [(0.5, PASS), (0.7, SUSPECT), (3.1, FAIL)])
def test_where_salt_is_poured_a_plume_may_come_at_once(jump_ppt: float, flag: Flag) -> None:
    """A batch that is poured within two minutes makes 0.3 ppt in a second, as from rest."""
    rows = [(n * 2.0, level(20.0), 24.0) for n in range(5)]
    context = WaterContext(phase="dissolving", salting=True)
    found = judged([*rows, (10.0, level(20.0 + jump_ppt), 24.0)], context)[-1]

    assert flag is found.tests["spike"]


# --- figures ------------------------------------------------------------------------------------


def test_every_flag_from_suspect_on_has_its_figure() -> None:
    """Which test, and by how much: no flag without a reason."""
    rows = [
        *water(2),
        (300.0, level(34.0), 24.0),  # after a silence
        (302.0, level(39.0), 24.0),
        (304.0, 120.0, 24.0),
        (306.0, level(43.0), 24.0),
        (308.0, 0.0, 24.0),
        (310.0, 50.0, float("nan")),
    ]
    found = judged(rows, beside(34.0))

    for each in found:
        flagged = {name for name, flag in each.tests.items() if SUSPECT <= flag < MISSING}
        assert flagged == set(each.figures)
    assert found[60].figures["gap"] == "after 182 s without a reading, more than 30"
    assert found[62].figures["gross_range"] == "120 mS/cm is outside -0.1 to 100"
    assert found[64].figures["immersion"] == "0.00 mS/cm at once after 62.4"
