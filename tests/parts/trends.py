"""Journals whose trend is known by looking at every reading."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from random import Random

from daemon.entries import Flag, Instant, Reading
from daemon.journal.reader import Reader
from daemon.journal.rows import to_ms
from daemon.journal.summaries import Class, class_of
from daemon.journal.trend.filling import Filling, Work
from daemon.journal.trend.trend_file import TrendFile, trend_path
from daemon.journal.writer import Writer
from daemon.mixing.probe.quality import CALIBRATING
from tests.parts.numbered import START, reading

START_MS = to_ms(START)
MOST_STEPS = 10_000


def course(count: int, seed: int = 1, period_s: float = 1.0) -> list[Reading]:
    """Readings with spikes, silences, bad ones and some in a solution."""
    chance = Random(seed)
    second, found = 0.0, []
    for _ in range(count):
        second += period_s if chance.random() > 0.01 else chance.choice((20.0, 90.0, 1200.0))
        found.append(_some(second, chance))
    return found


def _some(second: float, chance: Random) -> Reading:
    one = replace(
        reading(0),
        at=Instant(START + timedelta(seconds=second), second, "boot-1"),
        salinity=round(34.0 + chance.gauss(0.0, 0.05), 4) + (chance.random() < 0.005) * 3.0,
        temperature_C=round(24.0 + chance.gauss(0.0, 0.1), 3),
    )
    what = chance.random()
    if what < 0.02:
        return replace(one, flag=Flag.FAIL)
    if what < 0.04:
        return replace(one, salinity=None, salinity_u=None, temperature_C=None, flag=Flag.MISSING)
    if what < 0.06:
        return replace(one, tests={**one.tests, CALIBRATING: Flag.SUSPECT}, flag=Flag.SUSPECT)
    return one


def write(path: Path, entries: Sequence[Reading], at_once: int = 500) -> None:
    """Write readings into a journal, some at a time, so that blocks are made."""
    with Writer(path, 1e12) as writer:
        for begin in range(0, len(entries), at_once):
            writer.append(entries[begin : begin + at_once], begin, checkpoint="{}")


def fill(path: Path) -> None:
    """Fill the trend file of a journal to its end."""
    file = TrendFile(trend_path(path))
    filling = Filling(Reader(path), file)
    try:
        done = [filling.step() for _ in range(2)]
        while done[-1] is not Work.DONE:
            done.append(filling.step())
            assert len(done) < MOST_STEPS
    finally:
        file.close()


def water(some: Iterable[Reading], reservoir: str = "mix-1") -> list[Reading]:
    """The usable readings of a reservoir."""
    return [r for r in some if r.reservoir == reservoir and class_of(r) is Class.WATER]


def ms(one: Reading) -> int:
    """When a reading was, ms since 1970."""
    return to_ms(one.at.wall)
