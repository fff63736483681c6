"""The kept state: the same again in this version, the batches alone from another."""

from __future__ import annotations

import gzip
import json
from dataclasses import dataclass, fields
from enum import Enum
from pathlib import Path
from typing import Any

import pytest
from pydantic import TypeAdapter

from daemon.entries import Event, Kind, Phase
from daemon.journal.checkpoint import dump, outline, restore, restore_batches
from daemon.journal.former_batch import in_present_shape
from daemon.mixing.alarm.former_names import PRESENT_NAMES
from daemon.mixing.batch.batch_state import (
    Age,
    BatchState,
    Judgement,
    SaltAddition,
    SecondReading,
    WaterLevels,
)
from daemon.mixing.station.station import ReservoirSettings, Station, StationState
from tests.parts.people import Bench
from tests.parts.stories import BATCH, Story, a_station, mixed, of, phases
from tests.parts.weights import weights


def stopped(story: Story) -> str:
    """What is kept of a station that has heard a story."""
    station = a_station()
    story.play(station)
    return dump(station.state)


def stored_with_flat_batches() -> str:
    """The checkpoint of a released batch, written by the version before batches had groups."""
    path = Path(__file__).parents[2] / "old_journals" / "checkpoint-flat-batch.json.gz"
    return gzip.decompress(path.read_bytes()).decode()


def of_another_version(text: str) -> str:
    """A kept state in which the detectors' part cannot be read."""
    raw: dict[str, Any] = json.loads(text)
    raw["shape"] = "another"
    for reservoir in raw["state"]["reservoirs"].values():
        reservoir["stability"] = {"filling": "of another time"}
        reservoir["level"] = 7
    return json.dumps(raw)


def went_on(text: str) -> Station:
    """A station that goes on with the batches of a state of another version."""
    assert restore(text) is None
    state = restore_batches(text)
    assert state is not None
    return Station({"mix-1": ReservoirSettings("mix-1", BATCH)}, weights(), state)


def test_a_state_comes_back_as_it_was() -> None:
    """Every field, and the very same text when it is kept again."""
    text = stopped(mixed())
    state = restore(text)

    assert state is not None
    assert text == dump(state)


def test_a_new_station_is_kept_and_comes_back() -> None:
    """Nothing is a state too."""
    assert StationState() == restore(dump(StationState()))


@pytest.mark.parametrize(
    "text", ["", "{", "[]", "null", "7", '{"timeline": 3}', "\x00", '{"reservoirs": {"mix-1": 1}}']
)
def test_what_was_never_a_state_is_refused(text: str) -> None:
    """A damaged text gives None, not an error and not a wrong state."""
    assert restore(text) is None
    assert restore_batches(text) is None


def test_batches_survive_another_version() -> None:
    """Phase, id, salinity and age are kept where the detectors are not."""
    story = mixed()
    text = of_another_version(stopped(story))
    station = went_on(text)
    kept = json.loads(text)["state"]["reservoirs"]["mix-1"]["batch"]

    assert kept == json.loads(dump(station.state))["state"]["reservoirs"]["mix-1"]["batch"]
    assert "ready" == kept["phase"]


def test_a_batch_stored_with_flat_fields_is_restored_whole() -> None:
    """Phase, salt, judgement, age and second reading of a former checkpoint have their values."""
    text = stored_with_flat_batches()
    former = json.loads(text)["state"]["reservoirs"]["mix-1"]["batch"]
    batch = went_on(text).state.reservoirs["mix-1"].batch

    assert "told" in former
    assert (
        BatchState(
            phase=Phase.READY,
            id="mix-1-20260302-1",
            day="20260302",
            count=1,
            lot="blue",
            levels=WaterLevels(before_salt=former["rest_level"], peak=former["peak"]),
            remaining=former["remaining"],
            judgement=Judgement(
                salinity=former["called"],
                salinity_u=former["called_u"],
                noise_u=former["noise_u"],
                probability=former["probability"],
                judged_s=1380.0,
            ),
            temperature_C=24.0,
            age=Age(released_s=1380.0, was_released=True),
            salt=SaltAddition(7060.0, 180.0, 0.0, 0.881, 0.03, "blue", booked_g=7060.0),
            second=SecondReading(34.1, 0.25, "the hand refractometer"),
            used_l=60.0,
        )
        == batch
    )


def test_every_field_stored_flat_has_its_place() -> None:
    """No field of a batch, its salt or its advice is lost from a former checkpoint.

    But for two: age counts from the first release alone, and by it water is too old or not.
    """
    raw = json.loads(stored_with_flat_batches())
    batch = raw["state"]["reservoirs"]["mix-1"]["batch"]
    marks = {name: f"mark of {name}" for name in batch if name != "told"}
    salt = {name: f"mark of {name}" for name in batch["told"]}
    present = in_present_shape({**marks, "told": salt})
    leaves = [each for each in present.values() if not isinstance(each, dict)]
    leaves += [
        each for group in present.values() if isinstance(group, dict) for each in group.values()
    ]

    marks["ready_since_s"] = marks["aged_from_s"]
    kept = {name: mark for name, mark in marks.items() if name not in ("aged_from_s", "was_stale")}
    assert sorted([*kept.values(), *salt.values()]) == sorted(leaves)
    assert {*present} <= {each.name for each in fields(BatchState)}
    assert {each.name for each in fields(SaltAddition)} == {*present["salt"]}


def test_what_people_did_to_alarms_survives_another_version() -> None:
    """What is shelved or out of service stays so, and what nobody has seen waits for a person."""
    bench = Bench(mixed(31.5).silence(3).still(3))
    bench.run()
    bench.send("alarm.shelve", name="batch-off-target", hours=5, reason="salt is ordered")
    bench.send("alarm.remove-from-service", "", name="storage-low", reason="a bigger card comes")
    station = went_on(of_another_version(dump(bench.station.state)))

    assert bench.station.state.alarms == station.state.alarms
    kept = station.state.reservoirs["mix-1"].alarms
    assert bench.station.state.reservoirs["mix-1"].alarms == kept
    assert {"shelved", "returned-unacknowledged"} == {each.state for each in kept.known.values()}


@pytest.mark.parametrize("other_version", [False, True])
def test_alarms_under_former_names_go_on_under_the_present_ones(*, other_version: bool) -> None:
    """What a person shelved stays shelved, and what the station saw of itself stays seen."""
    bench = Bench(mixed())
    bench.send("alarm.shelve", name="reading-overdue", hours=5, reason="the cable is on order")
    bench.send("alarm.remove-from-service", "", name="publishing-delayed", reason="no broker yet")
    bench.station.state.health.conditions = {"publishing-delayed": "mqtt is 6 min behind"}
    text = dump(bench.station.state)
    for former, present in PRESENT_NAMES.items():
        text = text.replace(f'"{present}"', f'"{former}"')
    state = restore_batches(of_another_version(text)) if other_version else restore(text)

    assert "reading-stale" in text
    assert state is not None
    assert bench.station.state.alarms == state.alarms
    assert bench.station.state.reservoirs["mix-1"].alarms == state.reservoirs["mix-1"].alarms
    assert other_version or {"publishing-delayed"} == {*state.health.conditions}


@pytest.mark.parametrize("alarms", [None, 7, {"known": {"salt-low": {"state": "of another time"}}}])
def test_alarms_of_a_shape_that_nobody_knows_begin_again(alarms: object) -> None:
    """And the batches are kept all the same."""
    raw: dict[str, Any] = json.loads(of_another_version(stopped(mixed())))
    raw["state"]["alarms"] = raw["state"]["reservoirs"]["mix-1"]["alarms"] = alarms
    station = went_on(json.dumps(raw))

    assert {} == station.state.alarms.known
    assert "ready" == station.state.reservoirs["mix-1"].batch.phase


def test_a_batch_that_was_dissolving_is_judged_after_a_new_version_was_started() -> None:
    """The detectors begin again and come to an end."""
    story = mixed(minutes=3)
    station = went_on(of_another_version(stopped(story)))
    entries = story.still(45).play(station)

    assert ["verifying", "ready"] == phases(entries)
    assert {"mix-1-20260302-1"} == {e.batch for e in entries if isinstance(e, Event)}


@pytest.mark.parametrize("salinity, phase", [(34.0, "ready"), (31.5, "off_target")])
def test_a_judged_batch_stays_judged_after_a_new_version_was_started(
    salinity: float, phase: str
) -> None:
    """Unchanged water is not judged again, and its age goes on."""
    story = mixed(salinity)
    station = went_on(of_another_version(stopped(story)))
    before = station.state.reservoirs["mix-1"].batch.age.released_s
    entries = story.still(60).play(station)

    assert [] == phases(entries)
    assert [] == of(entries, Kind.STABILISED)
    assert before == station.state.reservoirs["mix-1"].batch.age.released_s
    assert phase == station.state.reservoirs["mix-1"].batch.phase


def test_water_changed_while_a_new_version_was_installed_is_judged_again() -> None:
    """A top-up that nobody saw does not stay released."""
    story = mixed()
    station = went_on(of_another_version(stopped(story)))
    story.salinity = 32.0
    entries = story.away(0.2).still(60).play(station)

    assert ["dissolving", "verifying", "off_target"] == phases(entries)[-3:]


def test_water_changed_after_a_new_version_was_started_is_judged_again() -> None:
    """The detector watches a judged batch as it did before."""
    story = mixed()
    station = went_on(of_another_version(stopped(story)))
    entries = story.still(40).ramp(2, 32.0).still(60).play(station)

    assert ["dissolving", "verifying", "off_target"] == phases(entries)


class Grade(Enum):
    """Something to choose from."""

    GOOD = "good"


@dataclass
class Inner:
    """A part."""

    weight: float


@dataclass
class Outer:
    """A whole, of parts that are deep within."""

    parts: dict[str, list[Inner | None]]
    grade: Grade


def test_the_outline_of_a_type_says_all_that_it_holds() -> None:
    """Fields and their types at any depth, and the choices of an enumeration."""
    found = outline(Outer)

    assert {repr(Outer), repr(Inner), repr(Grade)} == found.keys()
    assert {"weight": repr(float)} == found[repr(Inner)]
    assert ["good"] == found[repr(Grade)]


def test_every_type_of_the_state_is_in_the_outline() -> None:
    """What pydantic finds below the state is what the outline names."""
    below = TypeAdapter(StationState).json_schema()["$defs"]
    named = {each.rsplit(".", 1)[-1].rstrip("'>") for each in outline(StationState)}
    named = {each.removeprefix("<enum '") for each in named}

    assert below.keys() <= named
