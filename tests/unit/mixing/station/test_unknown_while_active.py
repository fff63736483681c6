"""A value that is not known ends no alarm: what nobody sees stays as it was."""

from __future__ import annotations

from dataclasses import replace

import pytest

from daemon.entries import Phase
from daemon.mixing.batch.batch_state import Age, BatchState, Judgement
from daemon.mixing.probe.probe_state import ProbeState
from daemon.mixing.station.conditions import of_drift, of_probes, of_temperature
from tests.parts.people import Bench, a_batch
from tests.parts.stories import BATCH, Story, alarms

BANDED = replace(BATCH, temperature_range_C=(23.0, 27.0))
RELEASED = BatchState(
    Phase.READY,
    "b",
    judgement=Judgement(salinity=34.0, salinity_u=0.1, released_salinity=34.0),
    age=Age(released_s=0.0),
)


@pytest.mark.parametrize("phase", [Phase.VERIFYING, Phase.READY])
def test_an_unknown_temperature_neither_raises_nor_ends_its_alarm(phase: Phase) -> None:
    """In both phases in which water waits."""
    band = (23.0, 27.0)

    assert {} == of_temperature(None, phase, band, 0.3, active=False)
    assert {"temperature-out-of-band"} == set(of_temperature(None, phase, band, 0.3, active=True))


def test_an_unknown_salinity_neither_raises_nor_ends_the_alarm_of_a_drift() -> None:
    """Whether the batch is still released or no longer."""
    for state in (RELEASED, replace(RELEASED, phase=Phase.OFF_TARGET, drifted_s=0.0)):
        assert {} == of_drift(state, None, BATCH, 0.05, active=False)
        assert {"salinity-drifting"} == set(of_drift(state, None, BATCH, 0.05, active=True))


@pytest.mark.parametrize("lost", ["salinity", "salinity_u", "salinity_s"])
def test_two_probes_are_not_known_to_agree_while_one_value_is_missing(lost: str) -> None:
    """Neither in what it reads nor in what that is worth nor in when it was."""
    one = ProbeState(salinity=34.0, salinity_u=0.1, salinity_s=100.0)
    other = ProbeState(salinity=34.0, salinity_u=0.1, salinity_s=100.0)
    setattr(other, lost, None)
    pair = {"ct-1": one, "ct-2": other}

    assert {} == of_probes(pair, 0.1, active=False)
    assert {"probe-disagrees"} == set(of_probes(pair, 0.1, active=True))


def test_two_probes_that_were_read_at_other_times_are_not_known_to_agree() -> None:
    """Two minutes apart they may be compared, longer apart not."""
    one = ProbeState(salinity=34.0, salinity_u=0.1, salinity_s=120.0)
    pair = {"ct-1": one, "ct-2": ProbeState(salinity=34.0, salinity_u=0.1, salinity_s=0.0)}

    assert {} == of_probes(pair, 0.1, active=True)
    one.salinity_s = 120.5
    assert {"probe-disagrees"} == set(of_probes(pair, 0.1, active=True))


def test_the_alarm_of_the_temperature_stays_while_no_reading_comes() -> None:
    """Ten minutes without a reading do not warm the water; a quarter of an hour inside does."""
    bench = a_batch(settings=BANDED)
    bench.story.still(8)
    bench.run(22.5)
    assert "temperature-out-of-band" in bench.alarms
    bench.story.silence(10)
    bench.run()
    assert "temperature-out-of-band" in bench.alarms
    bench.story.still(15)
    bench.run()

    assert "temperature-out-of-band" not in bench.alarms


def test_the_alarm_of_a_drift_stays_while_no_reading_comes() -> None:
    """Ten minutes without a reading do not bring the salinity back."""
    bench = Bench(Story(period_s=10.0).still(6).dissolve(34.0, 80).ramp(5 * 60.0, 34.5))
    assert ("salinity-drifting", "raised") in alarms(bench.run())
    assert "salinity-drifting" in bench.alarms
    bench.story.silence(10)
    said = bench.run()

    assert "salinity-drifting" in bench.alarms
    assert ("salinity-drifting", "cleared") not in alarms(said)
