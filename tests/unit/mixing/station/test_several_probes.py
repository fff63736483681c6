"""Several probes in one reservoir: one salinity, and a batch that goes on when one fails."""

from __future__ import annotations

from dataclasses import replace

import pytest

from daemon.entries import Entry, Event, Kind, Sample
from daemon.mixing.probe.own_history import history_left
from daemon.mixing.station.snapshot import ReservoirSnapshot
from daemon.mixing.station.station_state import ReservoirSettings
from tests.parts.calibrating import SOLUTION
from tests.parts.events import facts_in
from tests.parts.together import FIRST, PROBES, SECOND, SETTINGS, WORTH, Corner


def facts(entries: list[Entry], kind: Kind) -> list[dict[str, object]]:
    """What the events of a kind say."""
    return [dict(facts_in(e)) for e in entries if isinstance(e, Event) and e.kind is kind]


def phases(entries: list[Entry]) -> list[object]:
    """Where the water went."""
    return [each["to"] for each in facts(entries, Kind.PHASE)]


def raised(entries: list[Entry]) -> dict[object, str]:
    """The alarms that were raised, each with its reason."""
    alarms = facts(entries, Kind.ALARM)
    return {each["name"]: str(each["why"]) for each in alarms if each["what"] == "raised"}


def snapshot(corner: Corner) -> ReservoirSnapshot:
    """The present state."""
    made = corner.station.snapshot("mix-1", corner.at)
    assert isinstance(made, ReservoirSnapshot)
    return made


def pair() -> Corner:
    """A corner whose probes agree."""
    return Corner(gains={FIRST: 0.998, SECOND: 1.002})


def mixed(corner: Corner | None = None) -> Corner:
    """A corner with a batch that was released as 34."""
    corner = corner or pair()
    corner.run(3.0)
    corner.run(40.0, 34.0)
    assert ["blank", "dissolving", "verifying", "ready"] == phases(corner.entries)
    return corner


def test_the_salinity_is_that_of_both() -> None:
    """Between the two, and worth no less than what the two differ by."""
    corner = mixed(Corner(gains={FIRST: 0.997, SECOND: 1.003}))
    now = snapshot(corner)

    assert now.salinity == pytest.approx(34.0, abs=0.02)
    assert now.salinity_u is not None
    assert 0.1 < now.salinity_u < 0.2
    assert FIRST == now.probe
    assert {} == raised(corner.entries)


@pytest.mark.parametrize("name", PROBES)
def test_a_batch_is_released_though_one_probe_falls_silent_while_salt_dissolves(name: str) -> None:
    """By the other one, with its own value and uncertainty, and the fault is told."""
    corner = pair()
    corner.run(3.0)
    corner.run(12.0, 34.0)
    corner.silent = frozenset((name,))
    corner.run(40.0)
    (other,) = set(PROBES) - {name}

    assert ["blank", "dissolving", "verifying", "ready"] == phases(corner.entries)
    assert [] == facts(corner.entries, Kind.DISTURBED)
    assert other == snapshot(corner).probe
    assert snapshot(corner).salinity == pytest.approx(34.0, abs=0.15)
    assert f"the water is followed by {other}" in raised(corner.entries)["probe-fault"]


@pytest.mark.parametrize("name", PROBES)
def test_a_probe_that_never_says_a_word_keeps_nobody_from_measuring(name: str) -> None:
    """Also where it is the first, which decides when it can."""
    corner = pair()
    corner.silent = frozenset((name,))
    corner.run(3.0)
    corner.run(45.0, 34.0)

    assert ["blank", "dissolving", "verifying", "ready"] == phases(corner.entries)


@pytest.mark.parametrize("name", PROBES)
@pytest.mark.parametrize("around_mS_cm", [0.0, 0.5, 12.9, 40.0, 60.0])
def test_a_probe_that_is_put_elsewhere_moves_no_water(name: str, around_mS_cm: float) -> None:
    """Air, tap water and solutions: the batch stays released by the other one, without a question.

    Which one left is said, and once it is back it counts again.
    """
    corner = mixed()
    corner.elsewhere[name] = around_mS_cm
    corner.run(20.0)
    away = snapshot(corner)
    del corner.elsewhere[name]
    corner.run(15.0)

    assert "ready" == away.phase
    assert away.question is None
    assert away.salinity == pytest.approx(34.0, abs=0.15)
    assert f"{name} left its own history" in raised(corner.entries)["probe-disagrees"]
    assert ["blank", "dissolving", "verifying", "ready"] == phases(corner.entries)
    assert [] == facts(corner.entries, Kind.DISTURBED)
    assert () == snapshot(corner).alarms
    assert {*PROBES} == {*corner.state.reconciliation.members}


@pytest.mark.parametrize("name", PROBES)
@pytest.mark.parametrize("tau_s", [5.0, 100.0])
def test_a_probe_that_is_stuck_does_not_keep_a_release_whose_water_is_thinned(
    name: str, tau_s: float
) -> None:
    """Who repeats itself does not prove that the other one, which moved, is wrong."""
    corner = mixed()
    corner.stuck.add(name)
    corner.run(1.0)
    corner.run(15.0, 31.0, tau_s)

    assert "ready" != snapshot(corner).phase


def test_a_batch_is_asked_about_once_the_last_probe_that_can_say_anything_is_elsewhere() -> None:
    """The other one is stuck, and refused for it."""
    corner = mixed()
    corner.stuck.add(FIRST)
    corner.run(1.0)
    corner.run(50.0, 31.0, 5.0)

    assert snapshot(corner).question is not None
    assert SECOND == snapshot(corner).probe


@pytest.mark.parametrize("name", PROBES)
def test_a_probe_that_hangs_dry_since_before_the_batch_does_not_keep_it_from_its_release(
    name: str,
) -> None:
    """It is told apart by that it never came into the water, and is named."""
    corner = pair()
    corner.elsewhere[name] = 0.0
    corner.run(3.0)
    corner.run(45.0, 34.0)

    assert "ready" == phases(corner.entries)[-1]
    assert snapshot(corner).salinity == pytest.approx(34.0, abs=0.15)
    said = history_left(corner.state.reconciliation, FIRST, SECOND)
    assert f"{name} has read next to nothing" in said
    assert "probe-disagrees" in snapshot(corner).alarms


def test_the_answer_that_a_vessel_is_refilled_puts_the_probes_back_into_its_water() -> None:
    """Both were lifted, and other water was there when they came back."""
    corner = mixed()
    corner.elsewhere = dict.fromkeys(PROBES, 0.0)
    corner.run(10.0)
    corner.elsewhere, corner.salinity = {}, 30.0
    corner.run(5.0)
    corner.send("batch.answer", {"answer": "refilled"})
    corner.run(50.0)

    assert "off_target" == snapshot(corner).phase
    assert {*PROBES} == {*corner.state.reconciliation.members}
    assert () == tuple(name for name in snapshot(corner).alarms if name == "probe-fault")


def test_a_reply_that_is_missing_brings_no_probe_back() -> None:
    """It stands in a weak solution, and drops most of its replies there."""
    corner = mixed()
    corner.elsewhere[SECOND] = 40.0
    for n in range(40):
        corner.silent = frozenset() if n % 3 == 0 else frozenset((SECOND,))
        corner.run(0.5)
        if n > 8:
            assert [FIRST] == corner.state.reconciliation.members

    assert SECOND in raised(corner.entries)["probe-disagrees"]


def test_two_probes_that_lie_in_a_bottle_move_no_water_when_one_is_back() -> None:
    """What is read at the bench is not of the water."""
    corner = mixed()
    for name in PROBES:
        corner.send("calibrate.start", {"probe": name, "references": SOLUTION})
    corner.bottles = {*PROBES}
    corner.run(5.0)
    corner.bottles = set()
    corner.put_back(FIRST)
    corner.run(5.0)
    corner.put_back(SECOND)
    corner.run(10.0)

    assert ["blank", "dissolving", "verifying", "ready"] == phases(corner.entries)
    assert [] == facts(corner.entries, Kind.DISTURBED)


def only(*names: str) -> dict[str, ReservoirSettings]:
    """The corner with these probes."""
    return {"mix-1": replace(SETTINGS["mix-1"], probes=dict.fromkeys(names, WORTH))}


def test_what_makes_up_for_a_lost_probe_is_no_salinity_once_it_is_configured_no_longer() -> None:
    """The water is called steady as what the one that is left reads."""
    corner = mixed(Corner(gains={FIRST: 0.994, SECOND: 1.006}))
    corner.silent = frozenset((FIRST,))
    corner.run(5.0)
    corner.settings = only(SECOND)
    corner.restart(1.0, "")
    corner.run(40.0, 34.6)
    called = facts(corner.entries, Kind.STABILISED)[-1]

    assert called["salinity"] == pytest.approx(snapshot(corner).salinity, abs=0.03)


def test_a_second_probe_that_is_new_and_dry_does_not_answer_for_the_first() -> None:
    """The first hangs dry as well, and its batch stays suspended until one is in the water."""
    corner = Corner(settings=only(FIRST), gains={FIRST: 0.998, SECOND: 1.002})
    corner.run(3.0)
    corner.run(40.0, 34.0)
    corner.elsewhere = {FIRST: 0.0}
    corner.run(10.0)
    corner.settings, corner.elsewhere = only(SECOND, FIRST), dict.fromkeys(PROBES, 0.0)
    corner.restart(1.0, "")
    corner.run(10.0)
    dry = snapshot(corner)
    corner.elsewhere = {}
    corner.run(10.0)

    assert dry.question is not None
    assert [] == [each for each in facts(corner.entries, Kind.BATCH) if each["what"] == "ended"]
    assert {*PROBES} == {*corner.state.reconciliation.members}
    assert snapshot(corner).question is None


def test_a_calibration_that_is_given_up_ends_no_dispute() -> None:
    """The other one fell silent, and nobody knows which was right."""
    corner = mixed(Corner(gains={FIRST: 1.0, SECOND: 1.0}))
    for _ in range(60):
        corner.gains = {**corner.gains, SECOND: corner.gains[SECOND] * 1.0007}
        corner.run(2.0)
    corner.bench("start", FIRST, 1)
    corner.silent = frozenset((SECOND,))
    corner.run(5.0)
    corner.put_back(FIRST)
    corner.run(5.0)
    now = snapshot(corner)

    assert FIRST == now.probe
    assert now.salinity_u is not None
    assert now.salinity_u > 1.0


def test_two_probes_that_are_lifted_suspend_the_batch_until_they_are_back() -> None:
    """As one that is alone does."""
    corner = mixed()
    corner.elsewhere = dict.fromkeys(PROBES, 0.0)
    corner.run(10.0)
    away = snapshot(corner)
    corner.elsewhere = {}
    corner.run(10.0)

    assert away.question is not None
    assert "ready" == snapshot(corner).phase
    assert snapshot(corner).question is None
    assert 1 == len([e for e in facts(corner.entries, Kind.BATCH) if e["what"] == "began"])


def test_two_probes_that_are_lifted_one_after_the_other_suspend_it_too() -> None:
    """And either of them that is back ends the question."""
    corner = mixed()
    corner.elsewhere[FIRST] = 0.0
    corner.run(6.0)
    corner.elsewhere[SECOND] = 0.0
    corner.run(6.0)
    assert snapshot(corner).question is not None
    del corner.elsewhere[SECOND]
    corner.run(6.0)

    assert snapshot(corner).question is None
    assert "ready" == snapshot(corner).phase
    assert SECOND == snapshot(corner).probe


def test_a_probe_that_came_back_into_other_water_is_believed_once_it_agrees() -> None:
    """It hung dry while the vessel was refilled and mixed again."""
    corner = mixed()
    corner.elsewhere[SECOND] = 0.0
    corner.run(5.0)
    corner.send("batch.use", {"volume_l": 180.0})
    corner.run(20.0, 0.0)
    corner.run(45.0, 34.2)
    del corner.elsewhere[SECOND]
    corner.run(10.0)

    assert "ready" == snapshot(corner).phase
    assert {*PROBES} == {*corner.state.reconciliation.members}
    assert () == snapshot(corner).alarms


def test_a_bubble_in_one_cell_disturbs_no_water() -> None:
    """It reads 5 % less for three minutes, and the other one does not."""
    corner = mixed()
    for name in PROBES:
        before = corner.gains
        corner.gains = {**before, name: before[name] * 0.95}
        corner.run(3.0)
        corner.gains = before
        corner.run(10.0)

    assert ["blank", "dissolving", "verifying", "ready"] == phases(corner.entries)
    assert [] == facts(corner.entries, Kind.DISTURBED)


def test_a_probe_that_drifts_is_named_and_makes_nobody_surer() -> None:
    """Salinity is worth no more than what the two differ by, and an alarm says which one moved."""
    corner = mixed(Corner(gains={FIRST: 1.0, SECOND: 1.0}))
    corner.run(10.0)
    for _ in range(60):
        corner.gains = {**corner.gains, SECOND: corner.gains[SECOND] * 0.9995}
        corner.run(2.0)
    corner.run(10.0)
    now = snapshot(corner)

    assert f"{SECOND} left its own history" in raised(corner.entries)["probe-disagrees"]
    assert now.salinity_u is not None
    assert now.salinity_u > 0.45
    assert "dissolving" != now.phase


def test_the_last_of_two_that_disagreed_is_not_taken_for_the_right_one() -> None:
    """When the other one falls silent, what they differed by stays in the uncertainty."""
    corner = mixed(Corner(gains={FIRST: 1.0, SECOND: 1.0}))
    for _ in range(60):
        corner.gains = {**corner.gains, SECOND: corner.gains[SECOND] * 1.0007}
        corner.run(2.0)
    corner.silent = frozenset((FIRST,))
    corner.run(10.0)
    now = snapshot(corner)

    assert SECOND == now.probe
    assert now.salinity_u is not None
    assert now.salinity_u > 1.0
    assert "off_target" not in phases(corner.entries)
    assert now.advice_water_l is None


def test_salt_that_both_see_ends_the_release() -> None:
    """Two probes are no less watchful than one."""
    corner = mixed()
    corner.run(30.0, 36.0)

    assert "dissolving" == phases(corner.entries)[4]
    assert "salt" == facts(corner.entries, Kind.DISTURBED)[0]["cause"]


@pytest.mark.parametrize("name", PROBES)
def test_one_probe_is_calibrated_while_the_other_follows_the_water(name: str) -> None:
    """Nothing is suspended, nothing disturbed, and the batch is not judged from the beginning."""
    corner = mixed()
    corner.bench("start", name, 6)
    corner.run(15.0)

    assert "ready" == snapshot(corner).phase
    assert ["blank", "dissolving", "verifying", "ready"] == phases(corner.entries)
    assert {*PROBES} == {*corner.state.reconciliation.members}


def test_a_restart_changes_nothing_of_what_the_probes_are_worth() -> None:
    """What was left out stays left out, and nothing is released or disturbed by the pause."""
    corner = mixed()
    corner.elsewhere[SECOND] = 0.0
    corner.run(5.0)
    corner.restart(0.5, "")
    corner.run(5.0)

    assert "ready" == snapshot(corner).phase
    assert snapshot(corner).question is None
    assert [FIRST] == corner.state.reconciliation.members


def test_a_probe_that_was_not_read_yet_is_not_called_unusable() -> None:
    """Until its first reading nothing is known of it, good or bad."""
    corner = Corner()
    corner.station.advance(Sample("mix-1", FIRST, corner.at, 50.85, 24.0))
    parts = snapshot(corner).probes

    assert "no reading yet" == parts[SECOND].part
    assert parts[SECOND].salinity is None
