"""From a sample to its reading, and the events of the probe that gave it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.entries import Reading, Sample
from daemon.mixing.events import Happening
from daemon.mixing.probe import quality
from daemon.mixing.probe.corrected_salinity import salinity_of
from daemon.mixing.probe.probe_state import ProbeState
from daemon.mixing.probe.zero import zero_steps
from daemon.mixing.probe_events import ProbeFails, ProbeWorks

if TYPE_CHECKING:
    from daemon.mixing.probe.corrected_salinity import Correction
    from daemon.mixing.station.station_state import ReservoirSettings, ReservoirState

FAULT_LASTS_S = 10.0


def sample_of(reading: Reading) -> Sample:
    """Return the sample of a recorded reading, to process it again."""
    return Sample(
        reading.reservoir,
        reading.probe,
        reading.at,
        reading.conductivity_mS_cm,
        reading.temperature_C,
        reading.pump,
        reading.fault,
        reading.spoken,
    )


def reading_of(
    state: ReservoirState,
    sample: Sample,
    t_s: float,
    settings: ReservoirSettings,
    correct: Correction | None,
) -> Reading:
    """Return the reading that a sample gives, under the calibration in force.

    Args:
        state: Of the reservoir; the state of the probe is changed in place.
        sample: Of the probe.
        t_s: Monotonic time, s.
        settings: Of the reservoir.
        correct: What corrects the probe; None for nothing.
    """
    probe = state.probes.get(sample.probe)
    if probe is None:
        probe = state.probes[sample.probe] = ProbeState()
    salinity, salinity_u_ = salinity_of(
        sample.conductivity_mS_cm, sample.temperature_C, settings.probes[sample.probe], correct
    )
    tests = quality.judge(probe.quality, sample, salinity, t_s, settings.quality)
    return Reading(
        reservoir=sample.reservoir,
        probe=sample.probe,
        at=sample.at,
        conductivity_mS_cm=sample.conductivity_mS_cm,
        temperature_C=sample.temperature_C,
        salinity=salinity,
        salinity_u=salinity_u_,
        flag=quality.worst(tests),
        tests=tests,
        pump=sample.pump,
        fault=sample.fault,
        spoken=sample.spoken,
        calibration="" if correct is None or salinity is None else correct.id,
    )


def probe_steps(state: ReservoirState, sample: Sample, t_s: float) -> list[Happening]:
    """Report once that a probe stopped giving values, and once that it gives them again."""
    probe = state.probes[sample.probe]
    if not sample.fault:
        reported = probe.fault_reported
        probe.fault, probe.fault_since_s, probe.fault_reported = "", None, False
        works = [Happening(ProbeWorks(sample.probe))] if reported else []
        return works + zero_steps(probe.zero, sample, t_s)
    if probe.fault_since_s is None:
        probe.fault_since_s = t_s
    probe.fault = sample.fault
    if probe.fault_reported or t_s - probe.fault_since_s < FAULT_LASTS_S:
        return []
    probe.fault_reported = True
    return [Happening(ProbeFails(sample.probe, sample.fault))]
