"""How many rows a day of still water costs the database of a home-automation hub.

    python -m tests.campaigns.hub_rows --hours 24 [--lost 0.01]

A batch is mixed and released, and then nothing happens for so long: a probe of some noise is read
every two seconds in a room that is warmer by day.  Every snapshot goes the way that it goes in the
service, and a hub counts the rows of it; see `tests.parts.hub_recorder`.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from random import Random

import gsw

from daemon.entries import Event, Instant, Kind, Sample
from daemon.mixing.station.snapshot import ReservoirSnapshot
from daemon.mixing.station.station import Station
from daemon.publishing.mqtt.hub.announcement import announcement
from daemon.publishing.mqtt.hub.feed import HubFeed
from daemon.publishing.mqtt.hub.hub_device import HubDevice
from daemon.publishing.topic_messages import alarm_message
from tests.parts.hub_recorder import HubRecorder
from tests.parts.stories import Story, a_station

STATION = "quarantine-wing"
PERIOD_S = 2.0
DAY_S = 86_400.0
MOST_ROWS_A_DAY = 5000
NOISES = {"of a good probe": 1.5e-4, "three times as much": 4.5e-4, "of a bad one": 2e-3}
"""Standard deviations of conductivity, as shares of it."""


@dataclass
class Day:
    """The hub's side of a reservoir, and what it was shown wrongly.

    Attributes:
        recorder: What it has.
        feed: What it is sent.
        worst_C: The largest difference of the temperature that it showed, °C.
    """

    recorder: HubRecorder
    feed: HubFeed
    worst_C: float = 0.0

    def look(self, snapshot: ReservoirSnapshot, now_s: float) -> None:
        """Send what is due of a present state."""
        for message in self.feed.due({"mix-1": snapshot}, None, now_s):
            self.recorder.take(message)
        shown = self.recorder.states["temperature"]
        if snapshot.temperature_C is not None and shown not in (None, "None"):
            self.worst_C = max(self.worst_C, abs(float(shown) - snapshot.temperature_C))


def a_day() -> Day:
    """A hub that has not been sent anything yet."""
    wall = datetime.fromisoformat("2026-03-02T08:48:00+00:00")
    return Day(
        HubRecorder(announcement("homeassistant", HubDevice(STATION, "mix-1"))),
        HubFeed(STATION, ("mix-1",), lambda: wall),
    )


def still_samples(
    start: Story, noise_share: float, hours: float, lost_share: float = 0.0
) -> Iterator[Sample]:
    """Nothing happens to 34 ppt, as a noisy probe reads it that loses replies."""
    dice, losses = Random(5), Random(6)
    for number in range(int(hours * 3600.0 / PERIOD_S)):
        gone_s = number * PERIOD_S
        warmth = 24.0 + 0.8 * math.sin(2.0 * math.pi * gone_s / DAY_S)
        level = float(gsw.C_from_SP(34.0, warmth, 0.0))
        at = Instant(start.wall + timedelta(seconds=gone_s), start.t_s + gone_s, start.boot)
        indicated = round(level * (1.0 + dice.gauss(0.0, noise_share)), 3)
        warmth += dice.gauss(0.0, 0.006)
        if losses.random() < lost_share:
            yield Sample("mix-1", "ct-1", at, None, None, fault="no reply")
        else:
            yield Sample("mix-1", "ct-1", at, indicated, round(warmth, 2))


def released() -> tuple[Station, Story]:
    """A station whose batch was released a moment ago, and the story of it."""
    station, mixing = a_station(), Story(period_s=PERIOD_S).still(3).dissolve(34.0, 45)
    mixing.play(station)
    return station, mixing


def recorded(noise_share: float, hours: float, lost_share: float = 0.0) -> Day:
    """Play still water after a release; return what a hub has of it."""
    (station, mixing), day = released(), a_day()
    for sample in still_samples(mixing, noise_share, hours, lost_share):
        for entry in station.advance(sample):
            if isinstance(entry, Event) and entry.kind is Kind.ALARM:
                day.recorder.take(alarm_message(STATION, entry))
        snapshot = station.snapshot("mix-1", sample.at)
        assert isinstance(snapshot, ReservoirSnapshot)
        day.look(snapshot, sample.at.mono_s)
    return day


def main(words: Sequence[str] | None = None) -> int:
    """Print the rows of each noise; return 1 where they are too many."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--hours", type=float, default=24.0)
    parser.add_argument("--lost", type=float, default=0.0, help="share of replies that are lost")
    options = parser.parse_args(words)
    hours = options.hours
    worst = 0.0
    for name, noise_share in NOISES.items():
        rows = recorded(noise_share, hours, options.lost).recorder.rows
        worst = max(worst, rows.total() * 24.0 / hours)
        most = ", ".join(f"{id_} {count}" for id_, count in rows.most_common(6))
        line = f"noise {name} ({noise_share:g}): {rows.total()} rows in {hours:g} h: {most}"
        sys.stdout.write(f"{line}\n")
    return int(worst > MOST_ROWS_A_DAY)


if __name__ == "__main__":
    sys.exit(main())
