"""From a sample to its reading, and the events of the probe that gave it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.entries import Flag, Reading, Sample
from daemon.mixing.events import Happening
from daemon.mixing.probe import place, quality
from daemon.mixing.probe.corrected_salinity import salinity_of
from daemon.mixing.probe.probe_state import ProbeState
from daemon.mixing.probe.value_age import age_uncertainty
from daemon.mixing.probe.zero import zero_steps
from daemon.mixing.probe_events import ProbeFails, ProbeWorks
from daemon.mixing.station.expected_water import expected_water

if TYPE_CHECKING:
    from daemon.mixing.probe.corrected_salinity import Correction
    from daemon.mixing.probe.place_state import Finding
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
        reading.conductivity_age_s,
        reading.temperature_age_s,
    )


def reading_of(
    state: ReservoirState,
    sample: Sample,
    t_s: float,
    settings: ReservoirSettings,
    correct: Correction | None,
) -> tuple[Reading, list[Finding]]:
    """Return the reading that a sample gives, under the calibration in force, and where that is.

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
    aged = age_uncertainty(probe.motions, sample, t_s, settings.quality)
    salinity, salinity_u_ = salinity_of(
        sample.conductivity_mS_cm,
        sample.temperature_C,
        settings.probes[sample.probe],
        correct,
        aged,
    )
    if probe.place.away is None:
        # What fell to nothing at once is by now known to be elsewhere, or it is the water.
        quality.forget_wetness_after(probe.quality, t_s)
    context = expected_water(state, settings, sample.probe, (salinity, salinity_u_), t_s)
    tests, figures = quality.judge(probe.quality, sample, salinity, t_s, settings.quality, context)
    credible = tests["gross_range"] is Flag.PASS
    found = _find_place(probe, sample, salinity, t_s, credible=credible)
    _test_location(probe, tests, figures, salinity, t_s)
    reading = Reading(
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
        conductivity_age_s=sample.conductivity_age_s,
        temperature_age_s=sample.temperature_age_s,
        conductivity_age_u_mS_cm=aged.conductivity_mS_cm,
        temperature_age_u_C=aged.temperature_C,
        figures=figures,
    )
    return reading, found


def _test_location(
    probe: ProbeState,
    tests: dict[str, Flag],
    figures: dict[str, str],
    salinity: float | None,
    t_s: float,
) -> None:
    """Test whether the probe is in the water of its reservoir (QARTOD, test 3).

    A reservoir has no coordinates that could be wrong, and no instrument reports any; what can be
    wrong is the vessel that the probe hangs in.
    """
    if salinity is None or probe.out_s is not None:
        return
    flag = place.location(probe.place, t_s)
    tests["location"] = flag
    if flag >= Flag.SUSPECT and probe.place.away is not None:
        away_min = (t_s - probe.place.away.since_s) / 60.0
        figures["location"] = (
            f"it left the water of {probe.place.away.home.salinity:.1f} ppt {away_min:.0f} min ago"
        )


def _find_place(
    probe: ProbeState, sample: Sample, salinity: float | None, t_s: float, *, credible: bool
) -> list[Finding]:
    """Find out where the probe is; on the bench of a calibration its readings tell nothing."""
    conductivity, temperature = sample.conductivity_mS_cm, sample.temperature_C
    if probe.out_s is not None or conductivity is None or temperature is None:
        return []
    if salinity is None or not credible:
        return []
    return place.advance(probe.place, t_s, conductivity, temperature, salinity)


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
