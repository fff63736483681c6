"""Parts of the tests of what people say to a station: a command, its answer, and warmer water."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import gsw

from daemon.entries import JSON, Command, Entry, Event, Instant, Kind, Sample
from daemon.journal.checkpoint import dump
from daemon.mixing.batch.batch_state import BatchSettings
from daemon.mixing.station.station import Station, StationState
from daemon.mixing.station.timeline import Timeline
from tests.parts.events import facts_in
from tests.parts.snapshots import snapshot_in
from tests.parts.stories import BATCH, Story, a_station, of


@dataclass
class Bench:
    """A station, its water, and all of its entries so far.

    Attributes:
        story: What happens to the water.
        station: The station.
        entries: Of the station, so far.
    """

    story: Story
    station: Station = field(default_factory=a_station)
    entries: list[Entry] = field(default_factory=list)
    sent: int = 0

    def run(self, warmth_C: float | None = None) -> list[Entry]:
        """Feed the samples of the story to the station; return its entries."""
        if warmth_C is not None:
            self.story.samples = [warmer(each, warmth_C) for each in self.story.samples]
        followed = self.story.play(self.station)
        self.entries += followed
        return followed

    def send(self, verb: str, reservoir: str = "mix-1", **facts: JSON) -> list[Entry]:
        """Send a command of the keeper; return the entries that follow, the answer first."""
        self.sent += 1
        at = Instant(self.story.wall, self.story.t_s, self.story.boot)
        command = Command(
            f"c-{self.sent}", at, "keeper", "cli", verb, reservoir, facts, number=self.sent
        )
        followed = self.station.advance(command)
        self.entries += followed
        return followed

    def answer(self, verb: str, reservoir: str = "mix-1", **facts: JSON) -> str:
        """Send a command of the keeper and return the answer; a rejection begins with a "-"."""
        (answered,) = of(self.send(verb, reservoir, **facts), Kind.COMMAND)
        return ("" if facts_in(answered)["ok"] else "- ") + str(facts_in(answered)["answer"])

    @property
    def snapshot(self) -> dict[str, JSON]:
        """The snapshot of the reservoir now."""
        return snapshot_in(
            self.station, "mix-1", Instant(self.story.wall, self.story.t_s, self.story.boot)
        )

    @property
    def phase(self) -> str:
        """Where the batch stands."""
        return str(self.snapshot["phase"])

    @property
    def advice(self) -> str:
        """The advice in force."""
        return str(self.snapshot["advice"] or "")

    @property
    def alarms(self) -> set[str]:
        """Names of the alarms that are raised."""
        found = self.snapshot["alarms"]
        assert isinstance(found, list)
        return {str(name) for name in found}


def a_bench(
    settings: BatchSettings = BATCH, story: Story | None = None, probe_percent: float = 0.5
) -> Bench:
    """A bench beside an empty vessel, with purified water for three minutes by default."""
    return Bench(story or Story().still(3), a_station(settings, probe_percent))


def a_batch(
    salinity: float = 34.0,
    settings: BatchSettings = BATCH,
    minutes: float = 45.0,
    probe_percent: float = 0.5,
) -> Bench:
    """A bench at which a batch has been mixed to this salinity."""
    bench = a_bench(settings, Story().still(3).dissolve(salinity, minutes), probe_percent)
    bench.run()
    return bench


def warmer(sample: Sample, warmth_C: float) -> Sample:
    """The same water at another temperature, by the gsw library."""
    if sample.conductivity_mS_cm is None or sample.temperature_C is None:
        return sample
    salinity = float(gsw.SP_from_C(sample.conductivity_mS_cm, sample.temperature_C, 0.0))
    level = float(gsw.C_from_SP(salinity, warmth_C, 0.0))
    return replace(sample, conductivity_mS_cm=level, temperature_C=warmth_C)


def without_time(state: StationState) -> str:
    """A state as kept, but for what any command moves: the time, and the command's number."""
    return dump(replace(state, timeline=Timeline(), commands_taken=0))


def advice(entries: list[Entry]) -> list[str]:
    """The sentences of advice among some entries."""
    return [str(facts_in(event)["advice"]) for event in of(entries, Kind.ADVICE)]


def last_phase(entries: list[Entry]) -> Event:
    """The last change of phase among some entries."""
    return of(entries, Kind.PHASE)[-1]
