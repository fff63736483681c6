"""Batches outlive a killed process, a reboot, and a clock that jumps a year either way.

Two days of a mixing corner, with a correction, commands and a refill, are given to the measuring
loop over a real journal and a real inbox, once without and then with all that can go wrong.  What
a killed process leaves is what its files hold at that moment: they are copied then, and the next
process begins from the copy.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from daemon.entries import JSON, Command, Entry, Event, Kind, Reading, Surroundings
from daemon.journal.reader import Reader, Stored
from daemon.mixing.batch.batch_record import BatchRecord, records
from tests.campaigns.fortnight import live
from tests.campaigns.fortnight_stories import on_a_heel, weighed_light
from tests.campaigns.rooms import START, Room
from tests.faults.scripted import HOUR_S, KILLS, MIXING_S, YEAR, House, ScriptedClock
from tests.parts.events import facts_in

if TYPE_CHECKING:
    from collections.abc import Mapping


@dataclass(frozen=True, slots=True)
class Seen:
    """What the outside saw at one full hour."""

    phase: JSON
    age_h: float | None


@dataclass
class Lived:
    """What two days left behind.

    Attributes:
        batches: Their records.
        entries: All that the journal holds.
        hours: What was seen at each full hour.
        learned: Weighings of the lot.
        left_g: Salt left of it.
        kills: How often the process was killed.
    """

    batches: list[BatchRecord]
    entries: list[tuple[int, Entry]]
    hours: list[Seen]
    learned: int
    left_g: float | None
    kills: int


@pytest.fixture(scope="module")
def room() -> Room:
    """Two days: weighed light, corrected and used; then on a heel, corrected and partly used."""
    return live(2, ((weighed_light, 1), (on_a_heel, 1))).room


def play(
    room: Room,
    folder: Path,
    kills: Mapping[int, str],
    troubles: Sequence[tuple[float, Callable[[House], None]]] = (),
) -> Lived:
    """Give the two days to the measuring loop.

    Args:
        room: Where they were recorded.
        folder: For journals.
        kills: Where the process is killed, by number of the input.
        troubles: What happens to clock and machine, each at its true hour.
    """
    house = House(folder, room, ScriptedClock())
    waiting = list(troubles)
    hours: list[Seen] = []
    for number, item in enumerate(room.inputs):
        true_s = item.at.mono_s
        while waiting and waiting[0][0] * HOUR_S <= true_s:
            waiting.pop(0)[1](house)
        if true_s < house.clock.booted_s:
            continue
        house.clock.true_s = true_s
        assert not isinstance(item, Surroundings)
        if number in kills:
            house.kill(kills[number], item)
        else:
            house.give(item)
        if true_s >= HOUR_S * (len(hours) + 1):
            hours.append(Seen(house.picture()["phase"], house.age_h()))
    house.writer.close()
    stored = [(each.seq, each.entry) for each in everything(Reader(house.path))]
    lot = house.station.state.lots["tub-7"]
    events = [entry for _, entry in stored if isinstance(entry, Event)]
    return Lived(records(events), stored, hours, len(lot.weighings), lot.left_g, house.lives)


def everything(reader: Reader) -> Iterator[Stored]:
    """All entries in order."""
    after = 0
    while batch := reader.after(after, 5000):
        yield from batch
        after = batch[-1].seq


def drawn_kills(room: Room, seed: int) -> dict[int, str]:
    """Twenty instants: ten at any time, ten while salt dissolves or a command arrives."""
    dice = random.Random(f"kills/{seed}")
    busy = [
        number
        for number, item in enumerate(room.inputs)
        if item.at.mono_s % (24 * HOUR_S) < MIXING_S or isinstance(item, Command)
    ]
    told = [number for number, item in enumerate(room.inputs) if isinstance(item, Command)]
    chosen = {
        *dice.sample(range(len(room.inputs)), KILLS // 2),
        *dice.sample(busy, KILLS - KILLS // 2 - 3),
    }
    chosen |= set(dice.sample([n for n in told if n not in chosen], KILLS - len(chosen)))
    ways = ("before", "within", "after", "between")
    return {number: ways[each % len(ways)] for each, number in enumerate(sorted(chosen))}


def assert_same(expected: Lived, found: Lived) -> None:
    """No batch lost, none doubled, each through the same phases, its age right at every hour."""
    assert [phases(each) for each in expected.batches] == [phases(each) for each in found.batches]
    assert [each.phase for each in expected.batches] == [each.phase for each in found.batches]
    assert len(found.batches) == len({each.id for each in found.batches})
    assert [1] * len(found.batches) == [began(each) for each in found.batches]
    assert (expected.learned, expected.left_g) == (found.learned, found.left_g)
    assert commands(expected) == commands(found)
    numbers = [seq for seq, _ in found.entries]
    assert numbers == sorted(set(numbers))
    taken = [(e.at.boot, e.at.mono_s) for _, e in found.entries if isinstance(e, Reading)]
    assert len(taken) == len(set(taken))
    assert len(expected.hours) == len(found.hours)
    for hour, (one, other) in enumerate(zip(expected.hours, found.hours, strict=True), 1):
        assert (hour, one.phase, one.age_h is None) == (hour, other.phase, other.age_h is None)
        # A reading or two that went with the process move a release by that much.
        assert one.age_h == pytest.approx(other.age_h, abs=0.03), f"at hour {hour}"


def phases(record: BatchRecord) -> list[str]:
    """The phases that it went through."""
    return [str(facts_in(event)["to"]) for event in record.events if event.kind is Kind.PHASE]


def began(record: BatchRecord) -> int:
    """How often it began."""
    return sum(facts_in(event).get("what") == "began" for event in record.events)


def commands(lived: Lived) -> list[tuple[JSON, JSON]]:
    """Each command carried out, with whether it was."""
    events = [entry for _, entry in lived.entries if isinstance(entry, Event)]
    return [(facts_in(e)["id"], facts_in(e)["ok"]) for e in events if e.kind is Kind.COMMAND]


@pytest.fixture(scope="module")
def undisturbed(room: Room, tmp_path_factory: pytest.TempPathFactory) -> Lived:
    """The two days with nothing going wrong."""
    return play(room, tmp_path_factory.mktemp("undisturbed"), {})


def test_undisturbed_the_loop_says_what_the_station_alone_says(
    room: Room, undisturbed: Lived
) -> None:
    """The journal holds the two batches that the recording itself came to."""
    assert [phases(each) for each in records(room.events)] == [
        phases(each) for each in undisturbed.batches
    ]
    assert 2 == len(undisturbed.batches)
    assert 46 <= len(undisturbed.hours) <= 48
    assert undisturbed.hours[-1].age_h is not None
    assert undisturbed.hours[-1].age_h > 20.0


def test_killed_at_twenty_instants(room: Room, undisturbed: Lived, tmp_path: Path) -> None:
    """Before, within, right after and between writes, at random and while it matters most."""
    kills = drawn_kills(room, seed=1)
    found = play(room, tmp_path, kills)

    assert KILLS == found.kills
    assert_same(undisturbed, found)


def clock_says(off: timedelta, *, synced: bool) -> Callable[[House], None]:
    """The wall clock jumps to so far from the truth."""

    def do(house: House) -> None:
        house.clock.off, house.clock.synced = off, synced

    return do


def reboot(minutes: float, off: timedelta, *, synced: bool) -> Callable[[House], None]:
    """The machine is off for some minutes and comes up with this clock."""

    def do(house: House) -> None:
        clock = house.clock
        clock.booted_s = clock.true_s + minutes * 60.0
        clock.boot = f"boot-{int(clock.boot.removeprefix('boot-')) + 1}"
        clock.true_s, clock.off, clock.synced = clock.booted_s, off, synced
        house.writer.close()
        house._start()  # noqa: SLF001 - the house is this module's own

    return do


def test_clock_jumps_and_reboots_and_kills(room: Room, undisturbed: Lived, tmp_path: Path) -> None:
    """A year ahead and a year back, believed and not, and reboots into a wrong clock."""
    right, none = timedelta(0), timedelta(0)
    troubles = [
        (0.40, clock_says(YEAR, synced=False)),
        (0.90, clock_says(right, synced=True)),
        (2.30, clock_says(-YEAR, synced=True)),
        (3.30, clock_says(right, synced=True)),
        (5.20, clock_says(-YEAR, synced=False)),
        (5.80, clock_says(right, synced=True)),
        (10.10, reboot(5.0, -YEAR, synced=False)),
        (10.70, clock_says(none, synced=True)),
        (24.30, clock_says(YEAR, synced=True)),
        (25.90, clock_says(right, synced=True)),
        (30.10, reboot(20.0, right, synced=True)),
        (40.10, reboot(5.0, YEAR, synced=False)),
        (40.70, clock_says(right, synced=True)),
    ]
    found = play(room, tmp_path, drawn_kills(room, seed=2), troubles)

    assert found.kills >= KILLS - 2
    assert 4 == len({entry.at.boot for _, entry in found.entries})
    assert_same(undisturbed, found)


def test_batch_days_are_those_of_the_wall_clock(undisturbed: Lived) -> None:
    """With a right clock the second batch carries the second day."""
    assert [datetime.date(START).strftime("%Y%m%d"), "20260303"] == [
        each.id.split("-")[2] for each in undisturbed.batches
    ]
