"""The chance that mixing is over in the snapshot of a reservoir, and in words."""

from __future__ import annotations

from datetime import timedelta

import pytest

from daemon.entries import JSON, Command, Flag, Instant, Phase
from daemon.journal.checkpoint import dump, restore
from daemon.journal.shapes import to_object
from daemon.journal.snapshot_codec import renewed, reservoir_snapshot
from daemon.mixing.station.chance_words import chance_words
from daemon.mixing.station.snapshot import ReservoirSnapshot
from daemon.mixing.station.station import Station
from tests.parts.calibrating import SOLUTION
from tests.parts.events import AT
from tests.parts.readings import reading
from tests.parts.snapshots import a_snapshot
from tests.parts.stories import BATCH, Story, a_station, mixed
from tests.parts.weights import weights


def after(story: Story, station: Station | None = None) -> ReservoirSnapshot:
    """Return the snapshot at the end of a story."""
    station = station or a_station()
    story.play(station)
    return now(story, station)


def now(story: Story, station: Station, later_s: float = 0.0) -> ReservoirSnapshot:
    """Return the snapshot so many seconds after the last sample of a story."""
    at = Instant(story.wall, story.t_s - story.period_s + later_s, story.boot)
    found = station.snapshot("mix-1", at)
    assert isinstance(found, ReservoirSnapshot)
    return found


def command(story: Story, verb: str, **facts: JSON) -> Command:
    """Return a command that comes after the last sample of a story."""
    at = Instant(story.wall, story.t_s, story.boot)
    return Command("c-1", at, "kim", "cli", verb, "mix-1", facts)


def test_while_salt_dissolves_the_chance_and_its_reasons_are_in_the_snapshot() -> None:
    """A number between none and all, and what it waits for."""
    found = after(mixed(minutes=8))

    assert Phase.DISSOLVING is found.phase
    assert found.chance_over is not None
    assert 0.0 < found.chance_over < 1.0
    assert any(each.startswith("still rising ") for each in found.held_back_by)


def test_soon_after_the_salt_it_is_unknown_and_the_reason_is_named() -> None:
    """Detected a minute or so after it came, three minutes ago."""
    found = after(mixed(minutes=4))

    assert found.chance_over is None
    assert "only 3 min since salt came" in found.held_back_by


@pytest.mark.parametrize(
    "story",
    [Story().still(20), mixed(), mixed(31.5), Story()],
    ids=["blank", "ready", "off", "none"],
)
def test_where_nothing_is_decided_nothing_is_shown(story: Story) -> None:
    """Neither before salt nor after the call, which states its own confidence."""
    found = after(story)

    assert (None, ()) == (found.chance_over, found.held_back_by)
    assert not {"chance_over", "held_back_by"} & set(to_object(found))


def test_salt_that_comes_again_begins_another_chance() -> None:
    """Six minutes after it came into steady water."""
    found = after(mixed(31.5).dissolve(34.0, minutes=9.0))

    assert Phase.DISSOLVING is found.phase
    assert found.held_back_by


def test_a_probe_that_fails_takes_the_chance_away() -> None:
    """At once: beside a reading that did not come no old chance stands."""
    station, story = a_station(), mixed(minutes=12)
    assert after(story, station).chance_over is not None
    story.say(None, None, "no reply")

    found = after(story, station)

    assert (None, ()) == (found.chance_over, found.held_back_by)


def test_a_probe_that_is_silent_takes_the_chance_away() -> None:
    """Nothing came after the last sample, not even a fault."""
    station, story = a_station(), mixed(minutes=12)
    assert after(story, station).chance_over is not None

    assert now(story, station, later_s=25.0).chance_over is not None
    assert now(story, station, later_s=95.0).chance_over is None


def test_a_probe_that_is_out_for_calibration_takes_the_chance_away() -> None:
    """What it reads in a solution says nothing of the water."""
    station, story = a_station(), mixed(minutes=12)
    assert after(story, station).chance_over is not None
    station.advance(command(story, "calibrate.start", probe="ct-1", references=SOLUTION))

    assert after(story.still(0.5), station).chance_over is None


def test_a_restart_shows_the_same_chance() -> None:
    """With the state from the checkpoint, and what was worked out before forgotten."""
    station, story = a_station(), mixed(minutes=12)
    before = after(story, station)
    state = restore(dump(station.state))
    assert state is not None
    again = Station(dict(station._settings), weights(), state)  # noqa: SLF001 - the same ones
    story.still(0.1)
    left = [*story.samples]
    story.play(again)
    story.samples = left

    assert before.chance_over is not None
    assert now(story, again).chance_over == after(story, station).chance_over
    assert now(story, again).held_back_by == now(story, station).held_back_by


def test_a_command_that_begins_a_batch_says_only_how_long_it_is_watched() -> None:
    """Nobody saw salt come."""
    station, story = a_station(BATCH), Story(salinity=20.0)
    story.still(3).play(station)
    station.advance(command(story, "batch.start"))

    found = after(story.still(3), station)

    assert Phase.DISSOLVING is found.phase
    assert found.chance_over is None
    assert "min" in "".join(found.held_back_by)


@pytest.mark.parametrize("before_min", [10.0, 10.5])
def test_a_batch_that_is_begun_by_command_during_a_silence_is_measured_on(
    before_min: float,
) -> None:
    """The last half minute from before the silence closes after the decision has begun."""
    station, story = a_station(), Story(salinity=33.0).still(before_min)
    story.play(station)
    story.t_s, story.wall = story.t_s + 1200.0, story.wall + timedelta(minutes=20)
    station.advance(command(story, "batch.start"))

    found = after(story.still(5), station)

    assert Phase.DISSOLVING is found.phase
    assert found.held_back_by


def dissolving(**members: JSON) -> ReservoirSnapshot:
    """A snapshot of a reservoir in which salt dissolves."""
    facts: dict[str, JSON] = {
        "time": "2026-03-02T12:00:00.000Z",
        "phase": "dissolving",
        "probe": "ct-1",
        "chance_over": 0.62,
        "held_back_by": ["still rising 0.08 ppt an hour", "only 6 min since salt came"],
    }
    return a_snapshot(**{**facts, **members})


def test_a_later_reading_keeps_the_chance_for_a_minute() -> None:
    """Readers bring a snapshot up to date; a chance from before that is not of the present."""
    known = dissolving(time=AT.wall.isoformat())

    for late_s, flag, expected in (
        (29.0, Flag.PASS, 0.62),
        (29.0, Flag.FAIL, None),
        (61.0, Flag.PASS, None),
        (-5.0, Flag.PASS, None),
    ):
        at = Instant(AT.wall + timedelta(seconds=late_s), AT.mono_s, AT.boot)
        later = renewed(known, reading(at=at, flag=flag))
        assert expected == later.chance_over
        assert bool(later.held_back_by) is (expected is not None)


def test_a_reading_that_did_not_come_takes_it_out_of_a_stored_snapshot() -> None:
    """As the page and the topics show it, which read the journal."""
    later = renewed(dissolving(time=AT.wall.isoformat()), reading(None))

    assert (None, ()) == (later.chance_over, later.held_back_by)


@pytest.mark.parametrize(
    "members, words",
    [
        ({}, "62 %, held back by: still rising 0.08 ppt an hour; only 6 min since salt came"),
        ({"held_back_by": []}, "62 %"),
        ({"chance_over": None, "held_back_by": ["the pump is off"]}, "unknown (the pump is off)"),
        ({"chance_over": None, "held_back_by": []}, ""),
        ({"chance_over": 0.001, "held_back_by": []}, "less than 1 %"),
        ({"chance_over": 0.999, "held_back_by": []}, "more than 99 %"),
        ({"chance_over": 0.99, "held_back_by": []}, "99 %"),
    ],
)
def test_the_chance_in_words(members: dict[str, JSON], words: str) -> None:
    """In whole per cent, and never certain."""
    assert words == chance_words(dissolving(**members))


def test_a_snapshot_of_the_version_before_has_no_chance() -> None:
    """Its journal is read by this one."""
    found = reservoir_snapshot('{"time": "2026-03-02T12:00:00.000Z", "phase": "dissolving"}')

    assert found is not None
    assert "" == chance_words(found)
