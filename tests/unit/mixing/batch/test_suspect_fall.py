"""A bubble that clings to the probe of a steady batch, and water that comes: what is claimed."""

from __future__ import annotations

from copy import deepcopy
from dataclasses import replace
from datetime import timedelta
from functools import cache

import pytest

from daemon.entries import Entry, Event, Kind, Phase
from daemon.journal.checkpoint import dump, restore
from daemon.mixing.batch.batch_record import records
from daemon.mixing.batch.batch_state import BatchSettings
from daemon.mixing.batch.suspect_fall import QUESTION
from daemon.mixing.station.station import ReservoirSettings, Station
from tests.parts.events import facts_in
from tests.parts.people import Bench, a_bench
from tests.parts.stories import BATCH, Story, of, phases
from tests.parts.weights import weights

SHARE = 0.007
"""What the bubble takes of conductivity: 0.25 of salinity, less than a probe that is moved."""
KEPT = ("phase", "batch", "stable_at", "use_by", "volume_left_l")


def cling(story: Story, minutes: float, share: float = SHARE) -> Story:
    """A bubble clings to the probe for so long."""
    first = len(story.samples)
    story.still(minutes)
    story.samples[first:] = [
        replace(each, conductivity_mS_cm=round(each.conductivity_mS_cm * (1.0 - share), 3))
        for each in story.samples[first:]
        if each.conductivity_mS_cm is not None
    ]
    return story


@cache
def _released(settings: BatchSettings) -> Bench:
    bench = a_bench(settings, Story(10.0).still(3).dissolve(34.0, 50))
    bench.run()
    return bench


def released(settings: BatchSettings = BATCH) -> Bench:
    """A bench at which a batch of 34.0 was released."""
    return deepcopy(_released(settings))


def whats(entries: list[Entry]) -> list[str]:
    """What happened to the batch, in order."""
    return [str(facts_in(each)["what"]) for each in of(entries, Kind.BATCH)]


def released_s(bench: Bench) -> float | None:
    """As of when the age of the water counts, s."""
    return bench.station.state.reservoirs["mix-1"].batch.age.released_s


def stands(bench: Bench) -> list[object]:
    """Phase, verdict and age of a batch, as the outside sees them."""
    return [bench.snapshot.get(name) for name in KEPT]


def taken_for_water() -> Bench:
    """A bench at which a bubble clung for so long that it was taken for water."""
    return deepcopy(_taken_for_water())


@cache
def _taken_for_water() -> Bench:
    bench = released()
    cling(bench.story, 63)
    assert "disturbed" in {str(each.kind) for each in bench.run() if isinstance(each, Event)}
    assert bench.phase == Phase.DISSOLVING
    return bench


def test_while_a_bubble_clings_nothing_claims_that_all_is_right() -> None:
    """The batch is suspended within three minutes, in words, and as it was once it is gone."""
    bench = released()
    before, since_s = stands(bench), released_s(bench)
    fell = bench.story.wall
    cling(bench.story, 12)
    away = bench.run()

    (suspended,) = of(away, Kind.BATCH)
    assert timedelta(minutes=3) > suspended.at.wall - fell
    why = str(facts_in(suspended)["why"])
    assert why.startswith("salinity fell by 0.2")
    assert f"at {fell:%H:%M} UTC" in why
    assert (QUESTION, ["verifying"]) == (facts_in(suspended)["question"], phases(away))
    assert bench.snapshot["question"] is not None
    assert bench.snapshot.get("volume_left_l") is None
    assert "batch-suspended" in bench.alarms
    assert [] == of(away, Kind.DISTURBED)

    bench.story.still(4)
    back = bench.run()
    assert (["resumed"], ["ready"]) == (whats(back), phases(back))
    assert (before, since_s) == (stands(bench), released_s(bench))
    assert "batch-suspended" not in bench.alarms


def test_water_that_waits_for_a_person_still_waits_when_the_bubble_has_gone() -> None:
    """It was not released before, so nothing is released as before; the wait is named in words."""
    bench = released(replace(BATCH, needs_confirmation=True))
    assert Phase.VERIFYING == bench.phase
    before = stands(bench)
    cling(bench.story, 12)
    away = bench.run()
    bench.story.still(4)
    back = bench.run()

    (suspended,) = of(away, Kind.BATCH)
    assert "waiting up to 60 min" in str(facts_in(suspended)["why"])
    assert (["resumed"], []) == (whats(back), phases(away) + phases(back))
    assert (before, None) == (stands(bench), released_s(bench))


def test_a_second_bubble_is_as_the_first() -> None:
    """Two whole episodes say the same."""
    bench = released()
    said = []
    for _ in range(2):
        bench.story = cling(bench.story, 12).still(20)
        followed = bench.run()
        said.append((whats(followed), phases(followed)))

    assert said[0] == said[1] == (["suspended", "resumed"], ["verifying", "ready"])


def test_what_was_taken_for_water_is_reinstated_as_it_was() -> None:
    """Once the level called is read again, with an event that says so; the age has gone on."""
    bench = released()
    before, since_s = stands(bench), released_s(bench)
    judged = bench.station.state.reservoirs["mix-1"].batch.judgement.called_salinity
    cling(bench.story, 63)
    gone = bench.run()
    assert (["verifying", "dissolving"], "dissolving") == (phases(gone), bench.phase)
    bench.story.still(5)
    back = bench.run()

    (reinstated,) = of(back, Kind.BATCH)
    assert "reinstated" == facts_in(reinstated)["what"]
    assert "within 0.07 of the 34.0" in str(facts_in(reinstated)["why"])
    assert (["ready"], Phase.READY) == (phases(back), facts_in(reinstated)["phase"])
    assert [] == of(back, Kind.STABILISED)
    assert before == stands(bench)
    batch = bench.station.state.reservoirs["mix-1"].batch
    assert (since_s, judged) == (batch.age.released_s, batch.judgement.called_salinity)
    (record,) = records(each for each in bench.entries if isinstance(each, Event))
    first = next(e for e in of(bench.entries, Kind.PHASE) if facts_in(e)["to"] == "ready")
    assert (0, first.at.wall) == (record.disturbed, record.released)


def test_a_restart_in_between_changes_nothing() -> None:
    """Neither while it is in doubt nor after it was taken for water."""
    bench = released()
    before, since_s = stands(bench), released_s(bench)
    for minutes in (10, 53):
        cling(bench.story, minutes)
        bench.run()
        kept = restore(dump(bench.station.state))
        assert kept is not None
        bench.station = Station({"mix-1": ReservoirSettings("mix-1", BATCH)}, weights(), kept)
    bench.story.still(5)

    assert ["reinstated"] == whats(bench.run())
    assert (before, since_s) == (stands(bench), released_s(bench))


def test_a_second_time_it_is_reinstated_as_well() -> None:
    """What was reinstated once is watched as before."""
    bench = taken_for_water()
    bench.story.still(30)
    bench.run()
    cling(bench.story, 63)
    again = bench.run()
    bench.story.still(5)

    assert ["suspended", "resumed"] == whats(again)
    assert (["reinstated"], Phase.READY) == (whats(bench.run()), bench.phase)


def test_salt_that_was_recorded_meanwhile_forbids_it() -> None:
    """Who says that salt went in knows better than a probe."""
    bench = taken_for_water()
    assert not bench.answer("batch.start", mass_g=6900.0).startswith("-")
    bench.story.still(6)

    assert ([], Phase.DISSOLVING) == (whats(bench.run()), bench.phase)


def test_another_level_is_not_the_level_called() -> None:
    """Water that stays diluted by more than the tolerance is decided afresh."""
    bench = taken_for_water()
    cling(bench.story, 40, 0.003)
    followed = bench.run()

    assert "reinstated" not in whats(followed)
    assert 1 == len(of(followed, Kind.STABILISED))


def test_salt_that_makes_up_for_it_is_decided_afresh() -> None:
    """Salinity comes back for minutes, as salt dissolves, and not at once, as a bubble goes."""
    bench = taken_for_water()
    bench.story.salinity = 33.76
    bench.story.dissolve(34.0, 40, 120.0)

    assert "reinstated" not in whats(bench.run())


def test_after_a_quarter_of_an_hour_it_is_decided_afresh() -> None:
    """The level called is read again too late."""
    bench = taken_for_water()
    cling(bench.story, 16)
    bench.run()
    bench.story.still(6)

    assert "reinstated" not in whats(bench.run())


def test_water_that_has_grown_too_old_meanwhile_is_stale() -> None:
    """No flag is improved by it."""
    settings = replace(BATCH, use_within_h=1.5, warn_before_h=0.5)
    bench = released(settings)
    cling(bench.story, 66)
    bench.run()
    bench.story.still(5)

    followed = bench.run()
    assert ([], "stale") == ([each for each in phases(followed) if each == "ready"], bench.phase)


@pytest.mark.parametrize("change", [-0.4, -1.5])
def test_water_that_comes_is_noticed(change: float) -> None:
    """Within five minutes of coming where it falls for minutes, as mixed water does."""
    bench = released()
    came = bench.story.wall
    bench.story.dissolve(34.0 + change, 30, 90.0)
    followed = bench.run()

    (disturbed,) = of(followed, Kind.DISTURBED)
    assert timedelta(minutes=7) > disturbed.at.wall - came
    assert "reinstated" not in whats(followed)


def test_a_person_who_says_that_water_came_is_believed() -> None:
    """The batch is mixed again at once."""
    bench = released()
    cling(bench.story, 6)
    bench.run()

    assert not bench.answer("batch.answer", answer="same-water").startswith("-")
    assert bench.phase == Phase.DISSOLVING
    bench.story.still(5)
    assert "reinstated" not in whats(bench.run())
