"""The test of the rate of change, where the temperature is older than the reading."""

from __future__ import annotations

from datetime import timedelta

from daemon.entries import Flag, Instant, Sample
from daemon.mixing.probe.quality import QualityLimits, QualityState, judge
from tests.parts.events import AT


def rates(per_min: float, every_s: int) -> set[Flag]:
    """The flags of water that warms so fast, read each 2 s, its thermometer so seldom."""
    state, found = QualityState(), set[Flag]()
    for t_s in range(0, 300, 2):
        age_s = float(t_s % every_s)
        temperature = 20.0 + per_min * (t_s - age_s) / 60.0
        at = Instant(AT.wall + timedelta(seconds=t_s), float(t_s), "boot-1")
        sample = Sample("mix-1", "ct-1", at, 50.0, temperature, temperature_age_s=age_s)
        found.add(judge(state, sample, 34.0, float(t_s), QualityLimits()).tests["rate_of_change"])
    return found


def test_a_slow_thermometer_is_not_suspect_for_being_slow() -> None:
    """A degree a minute is below the limit of three, though it comes in one step each minute."""
    assert {Flag.NOT_EVALUATED, Flag.PASS} == rates(1.0, 60) == rates(1.0, 2)


def test_water_that_changes_too_fast_is_suspect_by_either() -> None:
    """Four degrees a minute, read each two seconds or each minute."""
    assert Flag.SUSPECT in rates(4.0, 60)
    assert Flag.SUSPECT in rates(40.0, 2)
