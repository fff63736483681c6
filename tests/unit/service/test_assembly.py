"""From a configuration to the settings of the parts."""

from __future__ import annotations

import json
from dataclasses import asdict, fields
from datetime import UTC, datetime
from pathlib import Path

import pytest

from daemon import assembly
from daemon.clock import RehearsalClock, SystemClock
from daemon.config import Config, parse
from daemon.entries import Instant, Sample
from daemon.mixing.batch.advice import Vessel
from daemon.mixing.probe.quality import QualityLimits
from daemon.mixing.seawater.uncertainty import ProbeUncertainty
from daemon.probes.line import LineProbe
from daemon.probes.registry import SECTIONS

PLAIN = """
[station]
name = "quarantine-wing"

[[reservoir]]
name = "mix-1"
capacity_l = 220
fill_l = 180
target_ppt = 33.0
tolerance_ppt = 0.5
use_within_h = 48
settle_within_min = 20
release_confidence = 0.9
blank_max_ppt = 0.7
mix_yield = 0.9
"""
PROBE = r"""
[[reservoir.probe]]
name = "ct-9"
driver = "line"
port = "/dev/ttyUSB0"
reply = '(?P<conductivity>[\d.]+),(?P<temperature>[\d.]+)'
units = { conductivity = "mS/cm", temperature = "degF" }
"""
RAW = 'compensation = "none"\n'


def config(text: str) -> Config:
    """A configuration out of its text."""
    return parse(text, Path("brinewright.toml"), SECTIONS)


def test_what_a_batch_must_be_comes_from_the_reservoir() -> None:
    """Every limit reaches the part that judges by it."""
    found = assembly.reservoirs(config(PLAIN))["mix-1"].batch

    assert (33.0, 0.5, 48.0, 20.0, 0.9, 0.7) == (
        found.target_ppt,
        found.tolerance_ppt,
        found.use_within_h,
        found.settle_within_min,
        found.release_confidence,
        found.blank_max_ppt,
    )
    assert Vessel(180.0, 220.0, 0.9) == found.vessel


def test_a_reservoir_without_a_probe_has_one_for_recordings() -> None:
    """A recording can be replayed where no probe is configured, with the usual uncertainty."""
    found = assembly.reservoirs(config(PLAIN))["mix-1"].probes

    assert {"recording": ProbeUncertainty()} == found


def test_a_probes_uncertainty_is_its_own() -> None:
    """What the configuration says of each probe, by its name."""
    more = RAW + "conductivity_u_percent = 1.5\ntemperature_u_C = 0.3\n"
    found = assembly.reservoirs(config(PLAIN + PROBE + more))["mix-1"].probes

    assert {"ct-9": ProbeUncertainty(1.5, 0.3)} == found


@pytest.mark.parametrize(
    "more, gap_s", [("", 15.0), ("period_s = 10\n", 50.0), ("period_s = 0.5\n", 15.0)]
)
def test_a_gap_follows_from_the_period(more: str, gap_s: float) -> None:
    """Five periods, and a quarter of a minute at least."""
    found = assembly.reservoirs(config(PLAIN + PROBE + RAW + more))["mix-1"].quality

    assert gap_s == found.gap_s


@pytest.mark.parametrize(
    "more, window_min", [("", 15.0), ("period_s = 10\n", 15.0), ("period_s = 60\n", 60.0)]
)
def test_a_weak_signal_is_looked_for_in_as_many_readings(more: str, window_min: float) -> None:
    """A quarter of an hour, and sixty readings at least."""
    found = assembly.reservoirs(config(PLAIN + PROBE + RAW + more))["mix-1"].quality

    assert window_min == found.attenuated_min


def test_thresholds_given_are_those_used() -> None:
    """Each key of the quality section reaches its test."""
    given: dict[str, object] = {
        each.name: 1.0 + n / 8.0 if "range" not in each.name else (n / 8.0, 39.0)
        for n, each in enumerate(fields(QualityLimits))
    }
    given["attenuated_fail_mS_cm"] = 0.5  # below the suspicion
    lines = "".join(f"{key} = {json.dumps(value)}\n" for key, value in given.items())
    found = assembly.reservoirs(config(PLAIN + "[reservoir.quality]\n" + lines))["mix-1"].quality

    assert given == asdict(found)


def test_each_probe_gets_the_driver_that_it_names() -> None:
    """In the order of the file, with nothing opened."""
    probes = assembly.probes(config(PLAIN + PROBE + RAW))

    assert [LineProbe] == [type(each) for each in probes]
    assert probes[0].fileno() is None


JOINED = (
    PLAIN.replace("mix_yield", 'pump_from = "both-1"\nmix_yield')
    + r"""
[[reservoir.probe]]
name = "ct-9"
driver = "line"
port = "/dev/ttyUSB0"
reply = '(?P<conductivity>[\d.]+)'
units = { conductivity = "mS/cm" }
compensation = "none"
period_s = 1
temperature_from = "both-1"

[[input]]
name = "both-1"
driver = "line"
port = "/dev/ttyUSB1"
reply = '(?P<temperature>[\d.]+),(?P<pump>[01])'
units = { temperature = "degC" }
period_s = 30
"""
)


def test_inputs_are_read_before_the_probes_that_name_them() -> None:
    """Each by its own driver; only probes count as such."""
    found = assembly.instruments(config(JOINED))

    assert [LineProbe, LineProbe] == [type(each) for each in found.drivers]
    assert (1, ("both-1",)) == (found.probes, found.joining.inputs)
    assert {"ct-9": "both-1"} == assembly.reservoirs(config(JOINED))["mix-1"].thermometers


def test_a_value_of_an_input_counts_for_five_of_its_periods() -> None:
    """And its temperature and pump go where the configuration says."""
    joining = assembly.joining(config(JOINED))
    at = [Instant(datetime(2026, 3, 2, 8, tzinfo=UTC), t_s) for t_s in (0.0, 150.0, 155.5)]
    joining.take(Sample("", "both-1", at[0], None, 24.0, pump=True))
    young, old = (joining.take(Sample("mix-1", "ct-9", each, 50.0, None))[0] for each in at[1:])

    assert (24.0, 150.0, True) == (young.temperature_C, young.temperature_age_s, young.pump)
    assert (None, None) == (old.temperature_C, old.pump)
    assert "for more than 150 s, the last was 24.00 °C" in old.fault


def test_a_section_that_no_driver_has_read_makes_no_driver() -> None:
    """Who loads a configuration without the drivers cannot measure with it."""
    text = PLAIN + PROBE + RAW
    with pytest.raises(TypeError, match="ct-9 was read without the driver line"):
        assembly.probes(parse(text, Path("brinewright.toml")))


def test_the_clock_is_the_machines_unless_it_is_a_rehearsal() -> None:
    """A speed other than one makes the clock that says so in every record."""
    fast = PLAIN.replace(
        '"quarantine-wing"\n',
        '"quarantine-wing"\nrehearsal_speed = 60.0\nrehearsal_since = 2026-03-02T08:00:00Z\n',
    )

    assert type(assembly.clock(config(PLAIN))) is SystemClock
    rehearsal = assembly.clock(config(fast))
    assert type(rehearsal) is RehearsalClock
    assert rehearsal.now().wall > datetime(2026, 3, 2, 8, tzinfo=UTC)
