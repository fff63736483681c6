"""Where the probe is: in the water, lifted into air, or left there by a falling level."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from simulators.instrument import Character
from simulators.scenarios import plain_batch
from simulators.stage import Action, Scenario, Stage

QUICK = Character(conductivity_lag_s=0.0, temperature_lag_s=0.0)
WET = replace(QUICK, film_share=0.4, film_s=30.0, air_lag_s=60.0)
AIR = Action(600.0, "dip", {"conductivity_mS_cm": 0.0, "temperature_C": 20.0})


def standing(character: Character, *actions: Action, probe_at_l: float = 0.0) -> Scenario:
    """A vessel of 180 L at 34 and 24 °C in which only these things happen."""
    story = plain_batch()
    return replace(
        story,
        actions=actions,
        character=character,
        starts_at=34.0,
        vessel=replace(story.vessel, probe_at_l=probe_at_l, evaporation_g_h=0.0),
    )


def felt(stage: Stage, t_s: float) -> tuple[float, float]:
    """What the cell and the thermometer feel at a time."""
    stage.advance(t_s)
    found = stage.instrument.felt()
    assert found is not None
    return found


def test_a_film_of_water_drains_from_a_lifted_probe() -> None:
    """The cell falls to the share of the film, then by 1/e in its time; warmth goes likewise."""
    stage = Stage.setting(standing(WET, AIR), seed=1)
    water, warmth = felt(stage, 600.0)
    conductivity, temperature = felt(stage, 630.0)

    assert conductivity == pytest.approx(water * 0.4 * math.exp(-1.0), rel=1e-6)
    assert temperature == pytest.approx(20.0 + (warmth - 20.0) * math.exp(-0.5), rel=1e-6)
    assert (0.0, 20.0) == pytest.approx(felt(stage, 3600.0), abs=1e-9)


def test_a_probe_without_a_film_is_dry_at_once() -> None:
    """As a probe is by default."""
    stage = Stage.setting(standing(QUICK, AIR), seed=1)

    assert (0.0, 20.0) == felt(stage, 601.0)
    assert not stage.in_water()


def test_no_film_is_left_once_the_probe_is_back() -> None:
    """Lifted again, it carries the water that it was in last."""
    stage = Stage.setting(standing(WET, AIR, Action(610.0, "back"), replace(AIR, at_s=700.0)), 1)
    before = felt(stage, 699.0)
    stage.advance(701.0)

    assert stage.film is not None
    assert stage.film.since_s == 700.0
    assert stage.film.conductivity_mS_cm == pytest.approx(before[0], rel=1e-6)


def test_a_level_below_the_probe_leaves_it_in_air() -> None:
    """At 60 of 180 L it is uncovered; once water is over it again, it feels that water."""
    draw = Action(100.0, "draw", {"litres": 130.0, "over_s": 130.0})
    fill = Action(1000.0, "fill", {"litres": 100.0, "over_s": 100.0})
    stage = Stage.setting(standing(QUICK, draw, fill, probe_at_l=60.0), seed=1)
    times_s = (215.0, 225.0, 900.0, 1005.0, 1200.0)
    places = [(felt(stage, t_s)[0] > 0.0, stage.in_water()) for t_s in times_s]

    assert [(True, True), (False, False), (False, False), (False, False), (True, True)] == places


def test_a_probe_that_is_never_uncovered_feels_the_last_drop() -> None:
    """As it was before levels counted: without a level, a drained vessel is water still."""
    draw = Action(100.0, "draw", {"litres": 170.0, "over_s": 130.0})
    stage = Stage.setting(standing(QUICK, draw), seed=1)

    assert felt(stage, 600.0)[0] > 40.0
    assert stage.in_water()


def test_cleaning_undoes_what_fouling_did() -> None:
    """A gain that falls by a tenth in a day is whole again, and stays so once fouling ends."""
    foul = Action(0.0, "trouble", {"drift_per_day": -0.1})
    actions = (
        foul,
        Action(86400.0, "trouble", {"drift_per_day": 0.0}),
        Action(86400.0, "clean"),
    )
    stage = Stage.setting(standing(QUICK, *actions), seed=1)
    said = []
    for t_s in (1.0, 86399.0, 90000.0):
        stage.advance(t_s)
        said.append(stage.speak().conductivity_mS_cm or 0.0)

    assert said[1] == pytest.approx(0.9 * said[0], rel=0.002)
    assert said[2] == pytest.approx(said[0], rel=0.002)
