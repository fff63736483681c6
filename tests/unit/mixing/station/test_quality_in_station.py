"""The quality tests within a station: what they expect of the water, and who shows figures."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import gsw
import pytest

from daemon.entries import Entry, Flag, Instant, Kind, Phase, Reading, Sample
from daemon.mixing.batch.batch_state import SaltAddition
from daemon.mixing.probe.probe_state import ProbeState
from daemon.mixing.probe.quality import FURTHER
from daemon.mixing.seawater.uncertainty import ProbeUncertainty
from daemon.mixing.station.expected_water import expected_water
from daemon.mixing.station.station import ReservoirSettings, Station
from daemon.mixing.station.station_state import ReservoirState
from tests.parts.events import facts_in
from tests.parts.snapshots import snapshot_in
from tests.parts.stories import BATCH, MORNING, Story, a_station, mixed, of
from tests.parts.weights import weights

PROBES = {"ct-1": ProbeUncertainty(0.3, 0.05), "ct-2": ProbeUncertainty(0.3, 0.05)}
SETTINGS = ReservoirSettings("mix-1", BATCH, probes=PROBES)


def in_phase(phase: Phase) -> ReservoirState:
    """A reservoir whose batch stands there."""
    state = ReservoirState()
    state.batch.phase = phase
    return state


# --- what is expected ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    "phase, band",
    [
        (Phase.IDLE, None),
        (Phase.BLANK, (-3.0, 3.0)),
        (Phase.DISSOLVING, (-3.0, 37.0)),
        (Phase.VERIFYING, (-3.0, 37.0)),
        (Phase.READY, (31.0, 37.0)),
        (Phase.STALE, (31.0, 37.0)),
        (Phase.OFF_TARGET, (-3.0, 37.0)),
    ],
)
def test_the_band_follows_from_the_phase(phase: Phase, band: tuple[float, float] | None) -> None:
    """Target 34, tolerance 1, purified below 1, and a margin of 2 ppt."""
    context = expected_water(in_phase(phase), SETTINGS, "ct-1", (34.0, 0.1), 0.0)

    assert band == context.band_ppt


def test_salt_on_record_may_give_what_it_gives() -> None:
    """Ten kilograms in 180 L make more than the target, and that is then no fault of the probe."""
    state = in_phase(Phase.DISSOLVING)
    state.batch.salt = SaltAddition(10_000.0, 180.0, 0.0, 0.881, 0.01)
    context = expected_water(state, SETTINGS, "ct-1", (45.0, 0.1), 0.0)

    assert context.band_ppt is not None
    assert 46.0 < context.band_ppt[1] < 52.0


def test_water_known_to_be_off_target_is_expected_to_be_so() -> None:
    """That the batch is wrong makes no reading suspect."""
    state = in_phase(Phase.OFF_TARGET)
    state.batch.judgement.salinity = 39.0
    context = expected_water(state, SETTINGS, "ct-1", (39.1, 0.1), 0.0)

    assert (-3.0, 41.0) == context.band_ppt


def test_purified_water_on_a_heel_is_as_salt_as_the_heel() -> None:
    """What was there before is known."""
    state = in_phase(Phase.BLANK)
    state.batch.levels.before_salt = 6.0
    context = expected_water(state, SETTINGS, "ct-1", (6.2, 0.1), 0.0)

    assert (-3.0, 8.0) == context.band_ppt


@pytest.mark.parametrize(
    "phase, band", [(Phase.READY, (20.0, 30.0)), (Phase.DISSOLVING, None), (Phase.BLANK, None)]
)
def test_only_released_water_has_a_band_of_temperature(
    phase: Phase, band: tuple[float, float] | None
) -> None:
    """What is filled in may be cold; the band of the reservoir has a margin of 3 °C."""
    warm = replace(SETTINGS, batch=replace(BATCH, temperature_range_C=(23.0, 27.0)))

    assert band == expected_water(in_phase(phase), warm, "ct-1", (34.0, 0.1), 0.0).band_C


def known(salinity: float, t_s: float) -> ProbeState:
    """A probe that read this."""
    return ProbeState(salinity=salinity, salinity_u=0.1, salinity_s=t_s)


@pytest.mark.parametrize(
    "phase, count",
    [
        (Phase.READY, 1),
        (Phase.VERIFYING, 1),
        (Phase.BLANK, 0),
        (Phase.DISSOLVING, 0),
        (Phase.IDLE, 0),
    ],
)
def test_neighbours_count_where_the_water_is_the_same_everywhere(phase: Phase, count: int) -> None:
    """While it is filled or salted, two places may differ."""
    state = in_phase(phase)
    state.probes = {"ct-1": known(34.0, 90.0), "ct-2": known(34.5, 95.0)}
    context = expected_water(state, SETTINGS, "ct-1", (34.0, 0.1), 100.0)

    assert [("ct-2", 5.0, 34.5)][:count] == [
        (each.name, each.age_s, each.salinity) for each in context.neighbours
    ]


def test_a_probe_that_is_out_for_calibration_is_no_neighbour() -> None:
    """It is in a bottle."""
    state = in_phase(Phase.READY)
    state.probes = {"ct-2": known(34.5, 95.0)}
    state.probes["ct-2"].out_s = 90.0

    assert () == expected_water(state, SETTINGS, "ct-1", (34.0, 0.1), 100.0).neighbours


# --- within the station -------------------------------------------------------------------------


def readings(entries: list[Entry]) -> list[Reading]:
    """The readings among some entries."""
    return [each for each in entries if isinstance(each, Reading)]


def test_a_lone_probe_in_steady_water_passes() -> None:
    """What only a neighbour could say does not count, and the rest was found sound."""
    last = readings(mixed().still(60).play())[-1]

    assert Flag.PASS is last.flag
    assert {"neighbour": Flag.NOT_EVALUATED} == {
        name: flag for name, flag in last.tests.items() if flag is not Flag.PASS
    }
    assert {} == last.figures


def test_two_probes_that_come_apart_are_both_suspect_and_say_so() -> None:
    """Nobody knows which is wrong; each names the other."""
    station = Station({"mix-1": SETTINGS}, weights())
    doubted: dict[str, str] = {}
    for n in range(1400):
        t_s = 5.0 * n
        salinity = 34.0 * (1.0 - 2.718281828 ** (-max(t_s - 300.0, 0.0) / 100.0))
        for offset_s, probe in enumerate(PROBES):
            drift = 0.01 * max(n - 1200, 0) if probe == "ct-2" else 0.0
            level = float(gsw.C_from_SP(salinity + drift, 24.0, 0.0)) if salinity else 0.004
            at = Instant(
                MORNING + timedelta(seconds=t_s + offset_s), 1000.0 + t_s + offset_s, "boot-1"
            )
            tremble = 1.0 + 1e-4 * ((n * 7919) % 13 - 6) / 6.0
            entries = station.advance(
                Sample("mix-1", probe, at, round(level * tremble, 3), 24.0 + 0.01 * (n % 2))
            )
            (reading,) = readings(entries)
            if reading.tests["neighbour"] is Flag.SUSPECT:
                assert n > 1230
                doubted.setdefault(probe, reading.figures["neighbour"])

    assert set(PROBES) == set(doubted)
    assert doubted["ct-1"].startswith("ct-2 reads 34.")
    assert doubted["ct-2"].startswith("ct-1 reads 3")


def test_a_probe_that_is_lifted_fails_its_location() -> None:
    """Released water, then air for ten minutes: it is not where it was."""
    story = mixed()
    story.still(60).lifted(10)
    last = readings(story.play())[-1]

    assert Flag.FAIL is last.tests["location"]
    assert last.figures["location"].startswith("it left the water of 34.0 ppt ")


def test_the_alarm_says_which_test_failed_and_with_what_figure() -> None:
    """A thermometer that breaks reads 85 °C, and the sentence of the alarm has the figure."""
    story = mixed(minutes=10)
    for _ in range(30):
        story.say(50.0, 85.0)
    raised = [
        facts_in(each)
        for each in of(story.play(), Kind.ALARM)
        if facts_in(each)["name"] == "probe-fault"
    ]

    assert "ct-1 fails gross range (85 °C is outside 0 to 40)" == raised[0]["why"]


def test_the_snapshot_has_the_figures_of_the_last_reading() -> None:
    """A jump of half a part per thousand in released water."""
    story, station = mixed(), a_station()
    story.play(station)
    story.say(float(gsw.C_from_SP(34.6, 24.0, 0.0)), 24.0)
    at = story.samples[-1].at
    story.play(station)
    shown = snapshot_in(station, "mix-1", at)

    figures = shown["quality_figures"]
    assert isinstance(figures, dict)
    assert ({"spike"}, 3) == (set(figures), shown["flag"])


def test_the_further_tests_say_so_where_they_cannot_be_made() -> None:
    """Of purified water nothing tells a weak signal, a neighbour or a missing companion."""
    last = readings(Story().still(3).play())[-1]

    assert {"neighbour", "multi_variate", "attenuated_signal"} <= {
        name for name in FURTHER if last.tests[name] is Flag.NOT_EVALUATED
    }
