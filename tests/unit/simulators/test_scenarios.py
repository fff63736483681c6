"""The named stories do what they say."""

from __future__ import annotations

from dataclasses import replace

import pytest

from simulators.scenarios import SCENARIOS, plain_batch
from simulators.stage import Action, ScenarioError, Stage


def played(name: str, until_s: float | None = None) -> Stage:
    """Return the stage of a scenario, played to its end or until then."""
    stage = Stage.setting(SCENARIOS[name](), seed=1)
    stage.advance(stage.scenario.lasts_s if until_s is None else until_s)
    return stage


@pytest.mark.parametrize("name", SCENARIOS)
def test_each_story_plays_to_its_end_and_lands_where_it_says(name: str) -> None:
    """Every action can be done, in order of time, and the truth ends where promised."""
    story = SCENARIOS[name]()
    stage = played(name)

    assert story.name == name
    assert list(story.actions) == sorted(story.actions, key=lambda action: action.at_s)
    assert list(story.actions) == stage.done
    # Evaporation, 20 g/h of 180 kg, adds less than 0.004 an hour.
    drift = 0.004 * story.lasts_s / 3600.0 + 0.015
    assert 0.0 <= stage.reservoir.true_salinity() - story.lands_at + 0.01 <= drift + 0.01


def test_the_plain_batch_is_blank_then_dissolves_in_ten_to_twelve_minutes() -> None:
    """Purified at 3 min; within 0.1 of its truth between 10 and 13 min after the pour's end."""
    assert played("plain-batch", 179.0).reservoir.salinity_at_probe() < 0.01

    stage = played("plain-batch", 300.0)
    short = [(0.0, 34.0)]
    for minute in range(20):
        stage.advance(300.0 + 60.0 * minute)
        water = stage.reservoir
        short.append((float(minute), water.true_salinity() - water.salinity_at_probe()))
    settled = next(minute for minute, gap in short if gap < 0.1)

    assert 10.0 <= settled <= 13.0


@pytest.mark.parametrize(
    "name,at_min,expected",
    [
        ("short-weight", 59.0, 31.5),
        ("too-salty", 59.0, 36.0),
        ("top-up-after-release", 80.0, 34.0),
        ("heel", 0.5, 34.0),
        ("heel", 14.9, 5.2),
        ("pump-stops", 34.9, 16.0),
        ("never-mixed", 60.0, 0.6),
    ],
)
def test_stories_are_half_way_where_they_say(name: str, at_min: float, expected: float) -> None:
    """What the probe's zone holds at the turning point of each story."""
    seen = played(name, at_min * 60.0).reservoir.salinity_at_probe()

    assert seen == pytest.approx(expected, abs=0.1)


def test_actions_happen_at_their_moment_however_time_is_cut() -> None:
    """One long step and many short ones bring the same water at the end."""
    whole, cut = played("heel"), Stage.setting(SCENARIOS["heel"](), seed=1)
    t_s = 0.0
    while t_s < whole.t_s:
        t_s = min(t_s + 37.3, whole.t_s)
        cut.advance(t_s)

    seen = cut.reservoir.salinity_at_probe()
    assert seen == pytest.approx(whole.reservoir.salinity_at_probe(), abs=1e-4)


@pytest.mark.parametrize(
    "action,says",
    [
        (Action(1.0, "stir"), "no such verb"),
        (Action(1.0, "pour"), "grams is missing"),
        (Action(1.0, "fill", {"litres": 500.0}), "does not fit"),
        (Action(1.0, "trouble", {"gremlins": 3.0}), "no trouble is called 'gremlins'"),
    ],
)
def test_an_action_that_cannot_be_is_named_with_its_time(action: Action, says: str) -> None:
    """The error says which action, when, and what is wrong."""
    stage = Stage.setting(replace(plain_batch(), actions=(action,)), seed=1)

    with pytest.raises(ScenarioError, match=says) as caught:
        stage.advance(2.0)
    assert "00:00:01" in str(caught.value)


def test_a_stuck_probe_hides_the_truth() -> None:
    """The water goes on to 34 while the probe repeats what it said before."""
    stage = Stage.setting(SCENARIOS["stuck-probe"](), seed=1)
    stage.advance(478.0)
    before = stage.speak()
    stage.advance(3600.0)

    assert stage.reservoir.salinity_at_probe() == pytest.approx(34.0, abs=0.05)
    assert stage.speak().words == before.words


def test_an_unplugged_probe_says_nothing() -> None:
    """Between pulling the cable and putting it back there are no words."""
    stage = Stage.setting(SCENARIOS["unplugged"](), seed=1)
    heard = []
    for t_s in (899.0, 901.0, 1079.0, 1081.0):
        stage.advance(t_s)
        heard.append(stage.speak().words != b"")

    assert heard == [True, False, False, True]


def test_a_lid_left_off_lets_more_water_go() -> None:
    """From its moment on, and not before: 400 g in an hour where it had been none."""
    story = plain_batch()
    story = replace(
        story,
        vessel=replace(story.vessel, evaporation_g_h=0.0),
        actions=(Action(3600.0, "lid", {"evaporation_g_h": 400.0}),),
    )
    stage = Stage.setting(story, 1)
    stage.advance(3600.0)
    assert 0.0 == stage.reservoir.evaporated_g
    stage.advance(7200.0)

    assert stage.reservoir.evaporated_g == pytest.approx(400.0, rel=1e-9)


def test_a_probe_in_a_bottle_says_what_the_bottle_is_and_then_the_water_again() -> None:
    """The vessel goes on without it, and what is wrong with the probe is in both."""
    story = plain_batch()
    dip = Action(3000.0, "dip", {"conductivity_mS_cm": 12.88, "temperature_C": 25.0})
    story = replace(
        story,
        actions=(*story.actions, dip, Action(3300.0, "back")),
        character=replace(story.character, gain=1.03),
    )
    stage = Stage.setting(story, seed=1)
    heard = []
    for t_s in (2990.0, 3290.0, 3390.0):
        stage.advance(t_s)
        heard.append(stage.speak())
    vessel = stage.reservoir.conductivity_at_probe()

    assert heard[1].conductivity_mS_cm == pytest.approx(12.88 * 1.03, rel=1e-3)
    assert heard[1].temperature_C == pytest.approx(25.0, abs=0.03)
    assert heard[0].conductivity_mS_cm == pytest.approx(vessel * 1.03, rel=2e-3)
    assert heard[2].conductivity_mS_cm == pytest.approx(vessel * 1.03, rel=2e-3)


@pytest.mark.parametrize(
    "facts, says",
    [
        ({"conductivity_mS_cm": -1.0, "temperature_C": 25.0}, "nothing conducts -1 mS/cm"),
        ({"conductivity_mS_cm": 1.0}, "temperature_C is missing"),
    ],
)
def test_a_bottle_that_cannot_be_is_named(facts: dict[str, float], says: str) -> None:
    """Less than nothing conducts nowhere, and a bottle has a temperature."""
    story = replace(plain_batch(), actions=(Action(1.0, "dip", facts),))

    with pytest.raises(ScenarioError, match=says):
        Stage.setting(story, seed=1).advance(2.0)
