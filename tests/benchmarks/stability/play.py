"""The detector itself on a trace, one reading at a time, as the service runs it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime

import gsw
import numpy as np

from daemon.entries import Flag, Instant, Reading
from daemon.mixing.stability import Disturbed, Forecast, Stabilised, Stability
from tests.benchmarks.stability.probe import Trace

_AT = Instant(datetime(2026, 1, 1, tzinfo=UTC), 0.0)


@dataclass(frozen=True, slots=True)
class Played:
    """What the detector found in a trace.

    Attributes:
        calls: Time and salinity of each call.
        disturbed: Time and cause of each disturbance.
        forecasts: Time and content of each forecast.
    """

    calls: list[tuple[float, Stabilised]]
    disturbed: list[tuple[float, Disturbed]]
    forecasts: list[tuple[float, Forecast]]


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


def play(trace: Trace, *, with_pump: bool = False) -> Played:
    """Run the detector over `trace`, armed when salt is seen arriving."""
    detector, armed = Stability(), False
    played = Played([], [], [])
    for t_s, reading in zip(trace.t_s.tolist(), readings(trace, with_pump=with_pump), strict=True):
        if not armed and t_s >= trace.arm_s:
            detector.arm(t_s)
            armed = True
        for found in detector.advance(t_s, reading):
            if isinstance(found, Stabilised):
                played.calls.append((t_s, found))
            elif isinstance(found, Disturbed):
                played.disturbed.append((t_s, found))
            else:
                played.forecasts.append((t_s, found))
    return played
