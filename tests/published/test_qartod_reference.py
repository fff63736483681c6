"""Our flags against those of the library `ioos-qc` on the same series, and each difference.

The library's flags are stored in `series/flags.json` with its version, made by
`python -m tests.campaigns.ocean.reference` in an environment of its own.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

import pytest

from daemon.entries import Flag, Instant, Sample
from daemon.mixing.probe.quality import (
    Judged,
    QualityLimits,
    QualityState,
    WaterContext,
    judge,
)
from daemon.mixing.seawater.properties import practical_salinity
from tests.campaigns.ocean import reference, series
from tests.campaigns.ocean.series import Row

START = datetime(2026, 3, 2, 8, tzinfo=UTC)
STORED = json.loads(reference.FLAGS.read_text(encoding="utf-8"))
LIMITS = QualityLimits(
    gap_s=series.GAP_S,
    conductivity_range_mS_cm=series.CONDUCTIVITY_RANGE,
    spike_suspect_ppt=series.SPIKES[0],
    spike_fail_ppt=series.SPIKES[1],
    rate_suspect_ppt_per_min=series.RATE_PER_MIN,
    rate_suspect_C_per_min=1000.0,
    flat_suspect_min=series.FLAT_MIN[0],
    flat_fail_min=series.FLAT_MIN[1],
    attenuated_min=series.ATTENUATED_MIN,
    attenuated_suspect_mS_cm=series.ATTENUATED_MS_CM[0],
    attenuated_fail_mS_cm=series.ATTENUATED_MS_CM[1],
    noise_ppt=0.0,
)
"""The thresholds that the library was given; nothing follows from noise here."""
WIDE = QualityLimits(
    noise_ppt=0.0,
    attenuated_suspect_mS_cm=series.ATTENUATED_MS_CM[0],
    attenuated_fail_mS_cm=series.ATTENUATED_MS_CM[1],
    spike_fail_ppt=42.0,
)


def theirs(name: str) -> list[Flag]:
    """The stored flags of a test; UNKNOWN of the library is our NOT_EVALUATED."""
    return [Flag(int(digit)) for digit in STORED["flags"][name]]


def ours(
    rows: Sequence[Row],
    test: str,
    limits: QualityLimits = LIMITS,
    context: WaterContext | None = None,
) -> list[Flag]:
    """Our flags of a test on the same rows."""
    return [each.tests[test] for each in judged(rows, limits, context or WaterContext())]


def judged(rows: Sequence[Row], limits: QualityLimits, context: WaterContext) -> list[Judged]:
    """What all tests make of rows."""
    state, found = QualityState(), []
    for each in rows:
        at = Instant(START + timedelta(seconds=each.t_s), each.t_s)
        sample = Sample("mix-1", "ct-1", at, each.conductivity_mS_cm, each.temperature_C)
        found.append(judge(state, sample, each.salinity, each.t_s, limits, context))
    return found


def test_the_flags_are_of_the_library_that_the_campaign_names() -> None:
    """Whoever takes another version stores its flags."""
    wanted = (series.SERIES.parents[1] / "campaigns/ocean/requirements.txt").read_text()

    assert f"{STORED['library']}=={STORED['version']}" == wanted.strip()


def test_gaps_are_the_same() -> None:
    """The library fails what we suspect, and calls a first reading good, which cannot be known."""
    rows = series.broken()
    mine = ours(rows, "gap")

    assert mine[0] is Flag.NOT_EVALUATED
    assert [flag is Flag.FAIL for flag in theirs("gap")] == [flag is Flag.SUSPECT for flag in mine]


@pytest.mark.parametrize("quantity", ["conductivity", "temperature"])
def test_gross_ranges_are_the_same(quantity: str) -> None:
    """Each quantity has its range; ours fails a reading for either."""
    limits = QualityLimits(temperature_range_C=series.TEMPERATURE_RANGE)
    if quantity == "conductivity":
        limits = QualityLimits(conductivity_range_mS_cm=series.CONDUCTIVITY_RANGE)

    assert theirs(f"gross_range {quantity}") == ours(series.underway(), "gross_range", limits)


def test_the_expected_band_is_the_same_but_for_its_first_minute() -> None:
    """Ours waits for a minute, since salt is poured before the phase follows; nothing else differs.

    Each reading that the library suspects is suspect here if all of the last minute were, and
    no other is.
    """
    context = WaterContext("dissolving", band_ppt=series.BAND)
    mine, suspect = ours(series.underway(), "expected_band", LIMITS, context), []
    lasting = 0
    for flag in theirs("expected_band"):
        lasting = lasting + 1 if flag is Flag.SUSPECT else 0
        suspect.append((lasting - 1) * series.PERIOD_S >= 60.0)

    assert suspect == [flag is Flag.SUSPECT for flag in mine]
    assert 0 < sum(suspect) < theirs("expected_band").count(Flag.SUSPECT)


def test_a_lone_spike_has_the_same_flag() -> None:
    """The library looks at both neighbours, ours only back: no live reading has a successor.

    At the spike both say the same. Beside it they differ: the library flags the readings before
    and after, of which half the spike is missing; ours flags the return, which is a jump too.
    """
    mine, other = ours(series.spiked(), "spike"), theirs("spike lone")
    tops = (10, 20, 30, 40, 50, 60)

    assert [other[n] for n in tops] == [mine[n] for n in tops]
    assert {Flag.PASS, Flag.SUSPECT, Flag.FAIL} == {mine[n] for n in tops}
    beside = {n + off for n in tops for off in (-1, 1)}
    assert all(mine[n] is other[n] for n in range(2, 79) if n not in beside | set(tops))
    assert all(mine[n - 1] is Flag.PASS for n in tops)
    assert [mine[n] for n in tops] == [mine[n + 1] for n in tops]


def test_bubbles_are_flagged_at_the_same_moments() -> None:
    """On recorded water full of bubbles both fail where it matters; 87 % of all readings agree.

    What the library fails ours suspects or fails at that reading or at the return. Where bubbles
    follow one another the methods see other jumps: the mean of both neighbours halves a step, and
    a course of two readings overshoots after one.
    """
    mine, other = ours(series.underway(), "spike"), theirs("spike")
    failed = [n for n, flag in enumerate(other) if flag is Flag.FAIL]
    alike = sum(
        (a >= Flag.SUSPECT) is (b >= Flag.SUSPECT) for a, b in zip(mine, other, strict=True)
    )

    assert all(max(mine[n : n + 2]) >= Flag.SUSPECT for n in failed)
    assert (20, 525, 602) == (len(failed), alike, len(mine))


def test_rates_of_change_are_the_same() -> None:
    """At 10 s and slower; faster, ours counts at least 10 s, for the steps of a thermometer."""
    mine = ours(series.underway(2), "rate_of_change")

    assert mine[0] is Flag.NOT_EVALUATED
    assert theirs("rate_of_change")[1:] == mine[1:]


def test_flat_lines_are_the_same() -> None:
    """The library looks at one quantity, ours asks both to repeat; this instrument stops whole."""
    mine = ours(series.stuck(), "flat_line")

    assert mine[0] is Flag.NOT_EVALUATED  # of what never moved nobody knows whether it is stuck
    assert theirs("flat_line")[1:] == mine[1:]


def test_a_weak_signal_is_the_same_at_the_end_of_each_stretch() -> None:
    """Ours looks at a window when one of its fifths ends, and says the same until the next."""
    rows = series.fading()
    mine, other = ours(rows, "attenuated_signal", WIDE), theirs("attenuated_signal")
    fifth = int(60.0 * series.ATTENUATED_MIN / 5.0 / series.PERIOD_S)
    ends = range(5 * fifth, len(rows), fifth)

    assert [other[n - 1] for n in ends] == [mine[n] for n in ends]
    assert {Flag.PASS, Flag.SUSPECT, Flag.FAIL} == {mine[n] for n in ends}
    assert all(mine[n] is mine[n - 1] for n in range(1, len(rows)) if n % fifth)
    assert {Flag.NOT_EVALUATED} == set(mine[: 5 * fifth])


def test_the_salinity_of_the_series_is_that_of_the_program() -> None:
    """Written out again from the paper, so that the library's environment can load it."""
    assert all(
        abs(each.salinity - practical_salinity(each.conductivity_mS_cm, each.temperature_C)) < 1e-9
        for each in series.underway()
    )
