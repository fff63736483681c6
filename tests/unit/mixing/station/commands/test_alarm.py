"""What people may do to alarms: done and told with who did it, or refused with a sentence."""

from __future__ import annotations

import pytest

from daemon.config.services import COMMANDS
from daemon.entries import JSON, Kind
from daemon.journal.event_codec import facts_of
from daemon.mixing.station.commands.alarm import VERBS
from tests.parts.events import facts_in
from tests.parts.people import Bench, a_batch, without_time
from tests.parts.stories import mixed, of

OFF = "batch-off-target"


@pytest.fixture
def bench() -> Bench:
    """A batch that came out too weak."""
    return a_batch(31.5)


def state_of(bench: Bench, name: str) -> str:
    """Where an alarm stands, as the picture tells."""
    details = bench.snapshot["alarm_details"]
    assert isinstance(details, dict)
    told = details.get(name)
    return str(told["state"]) if isinstance(told, dict) else "normal"


def test_an_acknowledgement_is_reported_with_who_gave_it(bench: Bench) -> None:
    """As an event of the alarm beside the record of the command."""
    (raised,) = (each for each in of(bench.entries, Kind.ALARM) if facts_in(each)["name"] == OFF)
    said = bench.send("alarm.acknowledge", name=OFF)
    (told,) = of(said, Kind.ALARM)

    assert f"{OFF} is acknowledged now" == facts_of(of(said, Kind.COMMAND)[0].body)["answer"]
    assert {
        "name": OFF,
        "what": "acknowledged",
        "state": "acknowledged",
        "standing": True,
        "priority": "medium",
        "why": facts_in(raised)["why"],
        "who": "keeper",
    } == facts_in(told)
    assert ("mix-1", "mix-1-20260302-1") == (told.reservoir, told.batch)
    assert {OFF} == bench.alarms


def test_shelving_tells_until_when(bench: Bench) -> None:
    """In the answer, in the event and in the picture."""
    said = bench.send("alarm.shelve", name=OFF, hours=2, reason="salt is ordered")
    (told,) = of(said, Kind.ALARM)
    until = "2026-03-02T10:48:00.000Z"

    assert f"{OFF} is shelved until {until}" == facts_of(of(said, Kind.COMMAND)[0].body)["answer"]
    assert (until, "salt is ordered", False) == tuple(
        facts_in(told)[name] for name in ("until", "why", "standing")
    )
    details = bench.snapshot["alarm_details"]
    assert isinstance(details, dict)
    shelved = details[OFF]
    assert isinstance(shelved, dict)
    assert (until, "salt is ordered", "keeper") == tuple(
        shelved[name] for name in ("until", "reason", "who")
    )
    assert set() == bench.alarms


def test_an_alarm_out_of_service_comes_back_only_by_command(bench: Bench) -> None:
    """However long it lasts; then it stands again."""
    bench.answer("alarm.remove-from-service", name=OFF, reason="the probe is being moved")
    bench.story.still(80)
    bench.run()
    assert ("out-of-service", set()) == (state_of(bench, OFF), bench.alarms)
    assert f"{OFF} is unacknowledged now" == bench.answer("alarm.return-to-service", name=OFF)
    assert {OFF} == bench.alarms


def test_all_alarms_of_a_place_are_acknowledged_when_that_is_commanded() -> None:
    """Those that wait for it and no others."""
    bench = Bench(mixed(31.5).silence(3).still(3))
    bench.run()
    answer = bench.answer("alarm.acknowledge", all=True)

    assert f"{OFF} is acknowledged now; probe-fault is normal now" == answer
    assert "- there is nothing to acknowledge in mix-1" == bench.answer(
        "alarm.acknowledge", all=True
    )


def test_the_stations_own_alarms_belong_to_the_station(bench: Bench) -> None:
    """And a reservoir's of the reservoir."""
    assert "- storage-low is an alarm of the station; leave the reservoir out" == bench.answer(
        "alarm.shelve", name="storage-low", hours=1, reason="x"
    )
    assert f"- {OFF} is an alarm of a reservoir; say which" == bench.answer(
        "alarm.acknowledge", reservoir="", name=OFF
    )
    said = bench.answer("alarm.shelve", reservoir="", name="storage-low", hours=1, reason="x")
    assert "storage-low is shelved until" in said


@pytest.mark.parametrize(
    "verb, facts, said",
    [
        ("alarm.acknowledge", {}, "name is wanted"),
        (
            "alarm.acknowledge",
            {"name": "short-yield"},
            "'short-yield' is the former name of 'salt-unaccounted'; write that instead",
        ),
        (
            "alarm.acknowledge",
            {"name": "xyz"},
            "there is no alarm 'xyz'; known are reading-overdue",
        ),
        ("alarm.acknowledge", {"name": 7}, "name must be a text"),
        ("alarm.acknowledge", {"all": "yes"}, "all must be true or false"),
        ("alarm.acknowledge", {"all": True, "name": OFF}, "and not both"),
        ("alarm.acknowledge", {"name": "salt-low"}, "nothing to acknowledge: salt-low is normal"),
        ("alarm.shelve", {"name": OFF, "reason": "x"}, "either hours or minutes is wanted"),
        ("alarm.shelve", {"name": OFF, "hours": 73, "reason": "x"}, "outside 1 min to 72 h"),
        ("alarm.shelve", {"name": OFF, "hours": 1, "minutes": 5, "reason": "x"}, "either hours"),
        ("alarm.shelve", {"name": OFF, "hours": True, "reason": "x"}, "is not a number"),
        ("alarm.shelve", {"name": OFF, "hours": 1, "reason": "  "}, "give a reason"),
        ("alarm.shelve", {"name": OFF, "hours": 1, "reason": "x" * 501}, "at most 500"),
        ("alarm.shelve", {"name": OFF, "for": 1}, "takes no 'for'"),
        ("alarm.unshelve", {"name": OFF}, "is not shelved; it is unacknowledged"),
        ("alarm.remove-from-service", {"name": OFF}, "give a reason"),
        ("alarm.return-to-service", {"name": OFF}, "is in service"),
    ],
)
def test_what_cannot_be_done_is_refused_and_changes_nothing(
    bench: Bench, verb: str, facts: dict[str, JSON], said: str
) -> None:
    """One sentence that says what is wrong."""
    before = without_time(bench.station.state)
    (told,) = of(bench.send(verb, "mix-1", **facts), Kind.COMMAND)

    assert not facts_in(told)["ok"]
    assert said in str(facts_in(told)["answer"])
    assert before == without_time(bench.station.state)


def test_an_alarm_that_nothing_has_happened_to_can_be_shelved(bench: Bench) -> None:
    """Before the work that would raise it; it is then not raised meanwhile."""
    bench.answer("alarm.shelve", name="probe-fault", hours=1, reason="the cable is being moved")
    bench.story.silence(4)
    bench.run()

    assert ("shelved", {OFF}) == (
        state_of(bench, "probe-fault"),
        bench.alarms - {"reading-overdue"},
    )


def test_every_verb_can_be_allowed_over_a_broker() -> None:
    """The list that the configuration is checked against has them."""
    assert set(VERBS) <= set(COMMANDS)
