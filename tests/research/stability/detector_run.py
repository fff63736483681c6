"""The detector run over a trace, one reading at a time: bare, and within the service's station."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import gsw
import numpy as np

from daemon.entries import Event, Flag, Instant, Kind, Reading, Sample
from daemon.mixing.stability.detector import Disturbed, ForecastBasis, Stabilised, Stability
from daemon.mixing.station.station import ReservoirSettings, Station
from daemon.wire.recording import samples
from tests.parts.weights import weights
from tests.research.stability.probe_model import Trace

_AT = Instant(datetime(2026, 1, 1, tzinfo=UTC), 0.0)


@dataclass(frozen=True, slots=True)
class DetectorRun:
    """What the detector says of a trace.

    Attributes:
        calls: Time and salinity of each call.
        disturbed: Time and cause of each disturbance.
        forecasts: Time and basis of each forecast.
    """

    calls: list[tuple[float, Stabilised]]
    disturbed: list[tuple[float, Disturbed]]
    forecasts: list[tuple[float, ForecastBasis]]


def readings(trace: Trace, *, with_pump: bool = False) -> Iterator[Reading]:
    """Yield the readings of a trace as the service would make them."""
    salinity = np.nan_to_num(
        gsw.SP_from_C(np.clip(trace.conductivity, 0.0, 200.0), trace.temperature, 0.0)
    )
    for c, t, s, flowing in zip(
        trace.conductivity.tolist(), trace.temperature.tolist(), salinity.tolist(),
        trace.flowing.tolist(), strict=True,
    ):  # fmt: skip
        pump = flowing if with_pump else None
        if c != c:  # noqa: PLR0124 - NaN is unlike itself
            yield Reading("r", "p", _AT, None, None, None, None, Flag.MISSING, {}, pump)
        else:
            yield Reading("r", "p", _AT, c, t, s, 0.1, Flag.NOT_EVALUATED, {}, pump)


def driver_times_s(trace: Trace) -> list[float]:
    """Return the times that the recorded driver makes of what the wall clock said.

    It leaves out the row after which a clock is known to be set back; here that reading counts at
    the time of the one before.
    """
    lines = ["time,conductivity_mS_cm,temperature_C\n"]
    lines += [
        f"{(_AT.wall + timedelta(seconds=s)).isoformat()},1,20\n" for s in trace.wall_s.tolist()
    ]
    times_s: list[float] = []
    for row in samples(lines, "r", "p"):
        times_s.append(row.at.mono_s if isinstance(row, Sample) else times_s[-1])
    return times_s


def detector_times_s(trace: Trace) -> list[float]:
    """Return the times that the detector is given: its own, unless the wall clock jumped."""
    return trace.t_s.tolist() if np.array_equal(trace.wall_s, trace.t_s) else driver_times_s(trace)


def run_detector(trace: Trace, *, with_pump: bool = False) -> DetectorRun:
    """Run the detector over `trace`, armed when salt arrives."""
    detector, armed = Stability(), False
    played = DetectorRun([], [], [])
    for t_s, own_s, reading in zip(
        trace.t_s.tolist(),
        detector_times_s(trace),
        readings(trace, with_pump=with_pump),
        strict=True,
    ):
        if not armed and t_s >= trace.arm_s:
            detector.arm(own_s)
            armed = True
        for found in detector.advance(own_s, reading, weights()):
            if isinstance(found, Stabilised):
                played.calls.append((t_s, found))
            elif isinstance(found, Disturbed):
                played.disturbed.append((t_s, found))
            elif isinstance(found, ForecastBasis):
                played.forecasts.append((t_s, found))
    return played


def run_station(trace: Trace, *, with_pump: bool = False) -> list[float]:
    """Return when a station said `stabilised`: flags, level and arming as in the service."""
    station, calls = Station({"r": ReservoirSettings("r")}, weights()), []
    rows = zip(
        trace.t_s.tolist(), detector_times_s(trace), trace.wall_s.tolist(),
        trace.conductivity.tolist(), trace.temperature.tolist(), trace.flowing.tolist(),
        strict=True,
    )  # fmt: skip
    for t_s, own_s, wall_s, c, t, flowing in rows:
        there = math.isfinite(c) and math.isfinite(t)
        sample = Sample(
            "r", "ct-1",
            Instant(_AT.wall + timedelta(milliseconds=round(1000 * wall_s)), round(own_s, 3), "b"),
            c if there else None, t if there else None, flowing if with_pump else None,
            "" if there else "no value recorded",
        )  # fmt: skip
        calls += [
            t_s
            for entry in station.advance(sample)
            if isinstance(entry, Event) and entry.kind is Kind.STABILISED
        ]
    return calls
