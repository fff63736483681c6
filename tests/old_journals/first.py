"""Writes a journal of schema 1, with the writer and the simulator of that time.

    PYTHONPATH=OLD_CHECKOUT python tests/old_journals/first.py journal.db recording.csv

There was no service yet that could have written one: its readings are worked out here by that
version's own formulas and tests of quality, and its events, which nothing made yet, are put down
in the shape that the version's entries had.
"""

from __future__ import annotations

import csv
import sys
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from daemon.entries import Event, Flag, Instant, Kind, Reading, Sample
from daemon.journal.event_codec import body_of
from daemon.journal.writer import Writer
from daemon.mixing.probe.quality import QualityLimits, QualityState, judge, worst
from daemon.mixing.seawater.properties import practical_salinity
from daemon.mixing.seawater.uncertainty import ProbeUncertainty, salinity_u

BATCH = "mix-1-20260302-0800"
STEPS = (
    (0, "blank", {"from": "idle", "to": "blank"}),
    (10, "salt", {"from": "blank", "to": "dissolving"}),
    (60, "steady", {"from": "dissolving", "to": "verifying"}),
    (65, "ready", {"from": "verifying", "to": "ready"}),
)
"""Minutes from the beginning, and where the batch went."""


def reading(sample: Sample, state: QualityState, t_s: float) -> Reading:
    """Return the reading of a sample."""
    if sample.conductivity_mS_cm is None or sample.temperature_C is None:
        salinity, u = None, None
    else:
        salinity = practical_salinity(sample.conductivity_mS_cm, sample.temperature_C)
        u = salinity_u(sample.conductivity_mS_cm, sample.temperature_C, ProbeUncertainty())
    tests = judge(state, sample, salinity, t_s, QualityLimits(gap_s=60.0)).tests
    flag = Flag.MISSING if salinity is None else worst(tests)
    return Reading(
        sample.reservoir,
        sample.probe,
        sample.at,
        sample.conductivity_mS_cm,
        sample.temperature_C,
        salinity,
        u,
        flag,
        tests,
        sample.pump,
        sample.fault,
        sample.spoken,
    )


def sample(row: dict[str, str], at: Instant) -> Sample:
    """Return the sample of a row of the recording; an empty field did not come."""
    conductivity, temperature = (float(row[name]) if row[name] else None for name in list(row)[1:3])
    fault = "no reply within 5 s" if None in (conductivity, temperature) else ""
    return Sample("mix-1", "ct-1", at, conductivity, temperature, fault=fault)


def write(journal: Path, recording: Path) -> None:
    """Write the readings of a recording, each 20 s, and the events of a batch among them."""
    state, steps = QualityState(), list(STEPS)
    with recording.open(newline="") as file, Writer(journal) as writer:
        began: datetime | None = None
        last = timedelta(seconds=-20)
        for row in csv.DictReader(file):
            wall = datetime.fromisoformat(row["time"])
            began = began or wall
            if wall - began - last < timedelta(seconds=20):
                continue
            last = wall - began
            at = Instant(wall, last.total_seconds(), "boot-of-schema-1", synced=True)
            entries: list[Any] = [reading(sample(row, at), state, at.mono_s)]
            while steps and at.mono_s >= 60 * steps[0][0]:
                entries.append(Event("mix-1", at, BATCH, body_of(Kind.PHASE, steps.pop(0)[2])))
            writer.append(entries, at.mono_s)


if __name__ == "__main__":
    write(Path(sys.argv[1]), Path(sys.argv[2]))
