"""Batches as a journal holds them, made without a station: as many and as odd as a test wants."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from daemon.entries import JSON, Entry, Event, Flag, Instant, Kind, Phase, Reading
from daemon.journal.checkpoint import dump
from daemon.journal.event_codec import body_of
from daemon.journal.shapes import to_object
from daemon.journal.writer import Writer
from daemon.mixing.batch.lots import Lot, Weighing
from daemon.mixing.events import CommandAnswered
from daemon.mixing.probe.quality import TESTS
from daemon.mixing.station.snapshot import ReservoirSnapshot
from daemon.mixing.station.station_state import StationState
from daemon.mixing.station.timeline import Timeline
from tests.parts.snapshots import a_snapshot

START = datetime(2031, 5, 4, 6, 0, tzinfo=UTC)
PASSED = dict.fromkeys(TESTS, Flag.PASS)


@dataclass(frozen=True)
class MadeBatch:
    """One batch: when it began, how salty it became, and what people did with it.

    Attributes:
        id: Of the batch.
        began: UTC.
        final: Practical salinity that it comes to; None where no salt came.
        steady_min: From salt to the call; None where it never came.
        then: The phase after the call, or how the batch ended; empty for nothing more.
        minutes: From beginning to end.
        period_s: Of the probe.
        facts: Arguments of `batch.start`; empty for no such command.
        note: Of a person; empty for none.
        reservoir: Where.
        boot: Of the machine.
        synced: Whether the wall clock was right.
        seed: Of its noise.
    """

    id: str = "mix-1-20310504-1"
    began: datetime = START
    final: float | None = 34.0
    steady_min: float | None = 25.0
    then: tuple[str, ...] = ("ready", "used")
    minutes: float = 90.0
    period_s: float = 10.0
    facts: dict[str, JSON] = field(default_factory=dict)
    note: str = ""
    reservoir: str = "mix-1"
    boot: str = "boot-1"
    synced: bool = True
    seed: int = 1

    def at(self, minute: float) -> Instant:
        """So many minutes after its beginning."""
        wall = self.began + timedelta(minutes=minute)
        mono_s = (wall - START).total_seconds() + 1_000_000.0
        return Instant(wall, mono_s, self.boot, self.synced)

    def event(self, minute: float, kind: Kind, **facts: JSON) -> Event:
        """An event of the batch."""
        return Event(self.reservoir, self.at(minute), self.id, body_of(kind, facts))

    def phase(self, minute: float, from_: str, to: str, **more: JSON) -> Event:
        """A change of its phase."""
        return self.event(minute, Kind.PHASE, **{"from": from_, "to": to, "why": "seen", **more})

    def command(self, minute: float, verb: str, **arguments: JSON) -> Event:
        """A command that was carried out."""
        body = CommandAnswered(
            arguments, f"{self.id}-{minute}", verb, "kim", "page", ok=True, answer="recorded"
        )
        return Event(self.reservoir, self.at(minute), self.id, body)

    def events(self) -> list[Event]:
        """What happened to it, in order."""
        found = [
            self.event(0, Kind.BATCH, what="began", salinity=0.05),
            self.phase(0, "idle", "blank"),
        ]
        if self.facts:
            found.append(self.command(4, "batch.start", **self.facts))
        if self.final is not None:
            found.append(self.phase(5, "blank", "dissolving"))
        if self.final is not None and self.steady_min is not None:
            found += self._after_the_call(5 + self.steady_min)
        if self.note:
            found.append(self.command(self.minutes - 1, "batch.note", text=self.note))
        found += [
            self.event(self.minutes, Kind.BATCH, what="ended", how=how, by="kim")
            for how in self.then
            if how in ("used", "discarded")
        ]
        return sorted(found, key=lambda each: each.at.wall)

    def _after_the_call(self, minute: float) -> list[Event]:
        figures: dict[str, JSON] = {"salinity": self.final, "salinity_u": 0.09}
        found = [
            self.event(minute, Kind.STABILISED, **figures),
            self.phase(minute, "dissolving", "verifying"),
        ]
        phases = [each for each in self.then if each in [*Phase]]
        for number, phase in enumerate(phases, start=1):
            more = {"probability": 0.9998, **figures} if phase == "ready" else {}
            found.append(self.phase(minute + number, "verifying", phase, **more))
        return found

    def readings(self) -> list[Reading]:
        """What a probe made of it."""
        chance = random.Random(self.seed)
        count = int(60 * self.minutes / self.period_s)
        return [
            self._reading(n * self.period_s / 60, chance.gauss(0.0, 0.02)) for n in range(count)
        ]

    def _reading(self, minute: float, noise: float) -> Reading:
        tau_min = (self.steady_min or 30.0) / 6
        risen = 0.0 if minute < 5 else 1.0 - math.exp(-(minute - 5) / tau_min)
        salinity = 0.05 + (self.final or 0.05) * risen + noise * risen
        return Reading(
            self.reservoir, "ct-1", self.at(minute), 51.0, 24.5, salinity, 0.09, Flag.PASS, PASSED
        )

    def entries(self) -> list[Entry]:
        """All of that, in order."""
        found: list[Entry] = [*self.events(), *self.readings()]
        return sorted(found, key=lambda each: each.at.wall)


def many(count: int, *, lots: tuple[str, ...] = ("blue-7", "blue-8")) -> list[MadeBatch]:
    """So many batches, eight hours apart, of every ordinary outcome."""
    ends = [("ready", "used"), ("ready", "used"), ("off_target", "discarded"), ("ready", "stale")]
    return [
        MadeBatch(
            f"mix-1-{number:05d}",
            START + timedelta(hours=8 * number),
            final=33.8 + 0.1 * (number % 5),
            steady_min=20.0 + number % 9,
            then=ends[number % len(ends)],
            facts={"mass_g": 7300.0 + number % 50, "volume_l": 180.0, "lot": lots[number % 2]},
            note="filter changed" if number % 7 == 0 else "",
        )
        for number in range(count)
    ]


def write_scene(
    path: Path,
    batches: list[MadeBatch],
    *,
    readings: bool = True,
    lots: list[Lot] | None = None,
    present: str | None = None,
) -> None:
    """Write a journal of these batches, oldest first; `present` is the one in the reservoir."""
    entries: list[Entry] = []
    for each in batches:
        entries += each.entries() if readings else each.events()
    state = StationState(timeline=Timeline(2_000_000.0))
    state.lots = {each.name: each for each in lots or []}
    snapshots: dict[str, JSON] = {}
    if present is not None:
        (batch,) = (each for each in batches if each.id == present)
        snapshots[batch.reservoir] = to_object(present_snapshot(batch))
    with Writer(path) as writer:
        for at in range(0, len(entries), 5000):
            writer.append(entries[at : at + 5000], 0.0)
        writer.append([], 0.0, snapshots, dump(state))


def present_snapshot(batch: MadeBatch) -> ReservoirSnapshot:
    """The state of a reservoir in which this batch is."""
    return replace(a_snapshot(), batch=batch.id)


def lot_with(name: str, contents: list[float], batches: list[MadeBatch]) -> Lot:
    """A lot of which some batches showed these salt contents, a day apart."""
    weighings = [
        Weighing(86_400.0 * n, content, 0.006, batch.id)
        for n, (content, batch) in enumerate(zip(contents, batches, strict=False))
    ]
    return Lot(name, f"L {name}", 20_000.0, 5_000.0, "2031-04-30", None, weighings)
