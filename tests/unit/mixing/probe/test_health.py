"""How well a probe is: the classes of NAMUR NE 107, each after it has lasted."""

from __future__ import annotations

from dataclasses import replace

import pytest

from daemon.entries import Flag, Kind, Reading
from daemon.mixing.probe import health
from daemon.mixing.probe.health import BETTER_S, WORSE_S
from daemon.mixing.probe.probe_state import ProbeState
from daemon.mixing.probe.status_signal import Health
from daemon.mixing.probe.zero import ZeroState
from tests.parts.events import facts_in
from tests.parts.people import Bench
from tests.parts.stories import Story, a_station, mixed, of
from tests.unit.journal.test_payloads import READING

GOOD = replace(READING, flag=Flag.PASS, tests={}, fault="", salinity=34.0, salinity_u=0.1)
LOST = replace(GOOD, flag=Flag.MISSING, fault="no reply", salinity=None, salinity_u=None, tests={})


def failing(test: str) -> Reading:
    """A reading that fails one test."""
    return replace(GOOD, flag=Flag.FAIL, tests={test: Flag.FAIL})


@pytest.mark.parametrize(
    "reading, probe, wrong, expected",
    [
        (GOOD, ProbeState(), {}, Health.NORMAL),
        (LOST, ProbeState(), {}, Health.FAILURE),
        (failing("flat_line"), ProbeState(), {}, Health.FAILURE),
        (failing("syntax"), ProbeState(), {}, Health.FAILURE),
        (failing("gross_range"), ProbeState(), {}, Health.OUT_OF_SPECIFICATION),
        (failing("immersion"), ProbeState(), {}, Health.OUT_OF_SPECIFICATION),
        (GOOD, ProbeState(zero=ZeroState(0.0, reported=True)), {}, Health.MAINTENANCE_REQUIRED),
        (GOOD, ProbeState(), {"calibration-due": "91 days"}, Health.MAINTENANCE_REQUIRED),
        (GOOD, ProbeState(), {"calibration-refused": "c-1"}, Health.MAINTENANCE_REQUIRED),
        (LOST, ProbeState(), {"calibration-due": "91 days"}, Health.FAILURE),
        (LOST, ProbeState(out_s=0.0), {}, Health.FUNCTION_CHECK),
        (GOOD, ProbeState(out_s=0.0), {"calibration-due": "x"}, Health.FUNCTION_CHECK),
    ],
)
def test_each_sign_belongs_to_a_class(
    reading: Reading, probe: ProbeState, wrong: dict[str, str], expected: Health
) -> None:
    """And of several the one of which a person must hear first."""
    for t_s in (0.0, WORSE_S, 2 * WORSE_S):
        health.advance(probe, reading, wrong, t_s)

    assert expected == probe.health.health


def test_a_moment_changes_nothing() -> None:
    """A bubble is no failure, and one good value no recovery."""
    probe = ProbeState()
    for t_s in range(0, 600, 5):
        assert [] == health.advance(probe, LOST if t_s % 30 else GOOD, {}, float(t_s))

    assert Health.NORMAL == probe.health.health


def test_a_change_is_reported_once_with_what_it_was_and_why() -> None:
    """Half a minute of failure, and a whole one until it is good again."""
    probe, told = ProbeState(), []
    for t_s in range(0, 600, 5):
        steps = health.advance(probe, LOST if t_s < 100 else GOOD, {}, float(t_s))
        told += [(t_s, each.body.kind, facts_in(each)) for each in steps]

    assert [(WORSE_S, "good", "failure"), (100.0 + BETTER_S, "failure", "good")] == [
        (t_s, facts["was"], facts["health"]) for t_s, _, facts in told
    ]
    assert {Kind.DEVICE} == {kind for _, kind, _ in told}
    assert "it gives no value" == told[0][2]["why"]


def test_being_calibrated_counts_at_once() -> None:
    """A person has said so; and so does being back."""
    probe = ProbeState(out_s=5.0)
    health.advance(probe, GOOD, {}, 5.0)
    found = [str(probe.health.health)]
    probe.out_s = None
    health.advance(probe, GOOD, {}, 6.0)

    assert ["function check", "good"] == [*found, str(probe.health.health)]


def test_a_snapshot_tells_of_every_probe() -> None:
    """Under the name of each, and of the one that decides by itself."""
    bench = Bench(mixed(minutes=5).silence(2), a_station())
    bench.run()

    assert ("failure", {"ct-1": "failure"}) == (
        bench.snapshot["probe_health"],
        bench.snapshot["probes_health"],
    )
    bench.story.still(3)
    said = bench.run()
    assert "good" == bench.snapshot["probe_health"]
    assert ["good"] == [
        facts_in(e)["health"] for e in of(said, Kind.DEVICE) if "health" in facts_in(e)
    ]


def test_a_zero_that_is_off_asks_for_maintenance() -> None:
    """Purified water that reads less than nothing for a while."""
    story = Story()
    for _ in range(60):
        story.say(-0.05 + story.dice.gauss(0.0, 1e-4), 24.0)
    bench = Bench(story)
    bench.run()

    assert "maintenance required" == bench.snapshot["probe_health"]


def test_a_probe_that_is_unplugged_at_the_bench_has_not_failed() -> None:
    """Nothing comes of it for ten minutes, and it stays what it was: out for calibration."""
    probe = ProbeState(out_s=5.0)
    health.advance(probe, GOOD, {}, 5.0)
    told = [step for t_s in range(10, 610, 10) for step in health.silent(probe, "ct-1", float(t_s))]

    assert (Health.FUNCTION_CHECK, []) == (probe.health.health, told)


def test_a_probe_that_is_unplugged_in_the_water_has_failed_after_half_a_minute() -> None:
    """The other outcome: nobody took it out."""
    probe = ProbeState()
    told = [
        (t_s, facts_in(each)["health"])
        for t_s in range(0, 610, 10)
        for each in health.silent(probe, "ct-1", float(t_s))
    ]

    assert [(30, "failure")] == told
