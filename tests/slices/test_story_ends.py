"""Every story of the demo comes to what it expects before the demo ends it."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from functools import cache
from itertools import pairwise
from pathlib import Path

import pytest

from daemon import assembly
from daemon.config import Config, parse
from daemon.entries import Event, Flag, Instant, Kind, Phase, Reading, Sample
from daemon.mixing.station.station import Station
from daemon.probes.registry import SECTIONS
from simulators.scenarios import SCENARIOS
from simulators.stage import Scenario, Stage
from tests.parts.events import facts_in
from tests.parts.weights import weights

ROOT = Path(__file__).parents[2]
START = datetime(2026, 3, 2, 8, tzinfo=UTC)
PLAYED = [(name, seed) for seed, name in enumerate(SCENARIOS, 1)]
"""Each story once, each with a seed of its own."""
NEVER_READY = {"stuck-probe", "never-mixed"}


@cache
def rehearsal() -> Config:
    """The configuration of the demo."""
    text = (ROOT / "deploy" / "rehearsal.toml").read_text(encoding="utf-8")
    for name, value in (("SPEED", "60"), ("SINCE", "2026-03-02T08:00:00Z")):
        text = text.replace(f"@{name}@", value)
    return parse(text, ROOT / "deploy" / "rehearsal.toml", SECTIONS)


def entries(story: Scenario, seed: int) -> Iterator[Event | Reading]:
    """Play a story as long as the demo does, and yield what the service makes of it."""
    config = rehearsal()
    (reservoir,) = config.reservoirs
    station = Station(
        {reservoir.name: assembly.reservoir_settings(reservoir)},
        weights(),
        own=assembly.station(config),
    )
    period_s = reservoir.probes[0].period_s
    stage = Stage.setting(story, seed)
    for number in range(int(story.plays_s / period_s) + 1):
        t_s = number * period_s
        stage.advance(t_s)
        spoken = stage.speak()
        there = spoken.words != b"" and spoken.conductivity_mS_cm is not None
        sample = Sample(
            reservoir.name, "ct-1", Instant(START + timedelta(seconds=t_s), t_s, "boot-1"),
            spoken.conductivity_mS_cm if there else None,
            spoken.temperature_C if there else None,
            fault="" if there else "no reply",
        )  # fmt: skip
        yield from station.advance(sample)


def reports(found: list[Event]) -> list[str]:
    """Phases that were entered and alarms that were raised, by their names, in order."""
    names = []
    for event in found:
        facts = facts_in(event)
        if event.kind is Kind.PHASE:
            names.append(str(facts["to"]))
        elif event.kind is Kind.ALARM and facts["what"] == "raised":
            names.append(str(facts["name"]))
    return names


def is_in_order(milestones: tuple[str, ...], names: list[str]) -> bool:
    """Whether the milestones come one after another, whatever is between."""
    rest = iter(names)
    return all(each in rest for each in milestones)


@pytest.mark.parametrize("name, seed", PLAYED)
def test_a_story_shows_what_it_expects_before_it_ends(name: str, seed: int) -> None:
    """Its phases and alarms come in their order within the time that the demo plays."""
    story = SCENARIOS[name]()
    found = [each for each in entries(story, seed) if isinstance(each, Event)]
    names = reports(found)

    assert story.milestones
    assert is_in_order(story.milestones, names), names
    assert (name in NEVER_READY) == (Phase.READY not in names)


@pytest.mark.parametrize("name", SCENARIOS)
def test_a_story_is_played_beyond_its_last_action(name: str) -> None:
    """Nothing of it happens after the demo has ended, nor does that last longer than the story."""
    story = SCENARIOS[name]()

    assert max(action.at_s for action in story.actions) < story.plays_s <= story.lasts_s


def test_a_demo_that_ends_too_soon_is_noticed() -> None:
    """The check above fails for a story of which the end is missing."""
    assert not is_in_order(("ready", "stale"), ["dissolving", "ready"])
    assert not is_in_order(("ready", "dissolving"), ["dissolving", "ready"])


def test_no_bubble_is_taken_for_the_water() -> None:
    """Each jump by a bubble fails, and the water is released at what it truly is."""
    found = list(entries(SCENARIOS["bubbles"](), 1))
    settled = [
        each
        for each in found
        if isinstance(each, Reading) and each.at.mono_s > 1500.0 and each.salinity is not None
    ]
    jumps = [
        here
        for before, here in pairwise(settled)
        if abs((here.salinity or 0.0) - (before.salinity or 0.0)) > 3.0
    ]
    (steady,) = [e for e in found if isinstance(e, Event) and e.kind is Kind.STABILISED]

    assert len(jumps) > 5
    assert {Flag.FAIL} == {each.flag for each in jumps}
    assert facts_in(steady)["salinity"] == pytest.approx(34.0, abs=0.1)


@pytest.mark.parametrize("name", ["garbage-line", "unplugged", "dropouts"])
def test_what_does_not_come_is_missing_and_never_a_value(name: str) -> None:
    """A gap has readings without a value, marked as missing, and a sentence why."""
    found = [each for each in entries(SCENARIOS[name](), 1) if isinstance(each, Reading)]
    missing = [each for each in found if each.flag is Flag.MISSING]

    assert missing
    assert {None} == {each.salinity for each in missing}
    assert all(each.fault for each in missing)
