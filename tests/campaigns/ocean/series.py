"""The series that both programs flag: recorded water, and what a test needs to be seen at work.

Only the standard library, so that the other program's environment can load it.
"""

from __future__ import annotations

import csv
from pathlib import Path
from random import Random
from typing import NamedTuple

SERIES = Path(__file__).parents[2] / "published" / "series"
PERIOD_S = 5.0
A = (0.0080, -0.1692, 25.3851, 14.0941, -7.0261, 2.7081)
B = (0.0005, -0.0056, -0.0066, -0.0375, 0.0636, -0.0144)
C_RT = (0.6766097, 2.00564e-2, 1.104259e-4, -6.9698e-7, 1.0031e-9)
K = 0.0162

CONDUCTIVITY_RANGE = (52.0, 57.1)
TEMPERATURE_RANGE = (27.05, 27.18)
BAND = (35.5, 36.2)
SPIKES = (0.4, 4.0)
RATE_PER_MIN = 6.0
FLAT_MIN = (10.0, 20.0)
ATTENUATED_MIN = 15.0
ATTENUATED_MS_CM = (0.002, 0.0002)
GAP_S = 30.0
"""Thresholds that make each test speak; suspect before fail."""


class Row(NamedTuple):
    """One reading: seconds, mS/cm, °C and practical salinity."""

    t_s: float
    conductivity_mS_cm: float
    temperature_C: float
    salinity: float


def salinity(conductivity_mS_cm: float, temperature_C: float) -> float:
    """Return practical salinity at the surface.  Source: UNESCO 44 (1983)."""
    t68 = 1.00024 * temperature_C
    rt = sum(c * t68**power for power, c in enumerate(C_RT))
    root = (conductivity_mS_cm / 42.914 / rt) ** 0.5
    warm = (t68 - 15.0) / (1.0 + K * (t68 - 15.0))
    return float(
        sum(a * root**power for power, a in enumerate(A))
        + warm * sum(b * root**power for power, b in enumerate(B))
    )


def row(t_s: float, conductivity_mS_cm: float, temperature_C: float) -> Row:
    """Return a reading with its salinity."""
    return Row(t_s, conductivity_mS_cm, temperature_C, salinity(conductivity_mS_cm, temperature_C))


def columns(name: str) -> list[dict[str, float]]:
    """Return the rows of a slice."""
    with (SERIES / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return [{key: float(text) for key, text in each.items()} for each in csv.DictReader(file)]


def underway(step: int = 1) -> list[Row]:
    """Return the recorded surface water, or each so manieth reading of it."""
    return [
        row(n * PERIOD_S, each["conductivity_mS_cm"], each["temperature_C"])
        for n, each in enumerate(columns("underway"))
    ][::step]


def stuck() -> list[Row]:
    """Return the recorded water on an instrument that repeats itself for 25 min."""
    rows = underway()
    held = rows[200]
    return [held._replace(t_s=each.t_s) if 200 <= n < 500 else each for n, each in enumerate(rows)]


def fading() -> list[Row]:
    """Return water of an instrument that scatters ever less: four times 30 min."""
    dice = Random(17)
    return [
        row(n * PERIOD_S, 53.0 + dice.gauss(0.0, noise), 25.0)
        for n, noise in enumerate(
            noise for noise in (0.005, 0.0012, 0.0001, 0.003) for _ in range(360)
        )
    ]


def spiked() -> list[Row]:
    """Return still water with lone spikes to both sides, of three sizes."""
    rows = [row(n * PERIOD_S, 53.0, 25.0) for n in range(80)]
    for n, off in ((10, 0.3), (20, 0.7), (30, -0.7), (40, 8.0), (50, -8.0), (60, -0.3)):
        rows[n] = row(n * PERIOD_S, 53.0 + off, 25.0)
    return rows


def broken() -> list[Row]:
    """Return the recorded water with readings left out, one to twenty at a time."""
    rows = underway()
    return [each for n, each in enumerate(rows) if n % 50 < 50 - (n // 50) * 2]
