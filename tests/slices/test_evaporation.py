"""Days without a lid: what a batch is while its water goes into the air."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from daemon.entries import Kind, Phase
from daemon.mixing.seawater import dosing
from simulators.scenarios import plain_batch
from tests.campaigns.fortnight_stories import SETTINGS, WORTH
from tests.campaigns.rooms import Room, a_room
from tests.parts.events import facts_in

SIX_LITRES_A_DAY_G_H = 250.0
FILL_L = 180.0
DAY_S = 86_400.0
ALARMS = ("batch-off-target", "batch-stale", "salinity-drifting")


def without_a_lid(seed: int, days: float) -> tuple[Room, float]:
    """Return a corner that evaporates after its release, and how far outside it was when ready.

    Bubbles stick in the probe and replies are lost all the while; the probe is as far off as its
    uncertainty says.
    """
    dice = random.Random(f"evaporation/{seed}")
    usual = plain_batch()
    character = replace(
        usual.character,
        gain=1.0 + dice.gauss(0.0, WORTH.conductivity_percent / 100.0),
        temperature_offset_C=dice.gauss(0.0, WORTH.temperature_C),
    )
    story = replace(usual, actions=(), character=character, name="evaporation")
    room = a_room(story, SETTINGS, WORTH, seed)
    room.act("trouble", bubbles_per_h=2.0, dropout_chance=0.01)
    room.wait(600.0)
    room.pour(dosing.plan(FILL_L, SETTINGS.target_ppt, story.mix.salt_yield, 24.0).salt_g)
    room.settle()
    assert Phase.READY == room.phase
    room.lid(SIX_LITRES_A_DAY_G_H)
    end_s, outside = room.stage.t_s + days * DAY_S, 0.0
    while room.stage.t_s < end_s:
        room.wait(600.0, 30.0)
        if room.phase is Phase.READY:
            true = room.stage.reservoir.true_salinity()
            outside = max(outside, true - SETTINGS.high_ppt)
    return room, outside


@pytest.mark.parametrize("seed, days", [(1, 4.0), (3, 1.5)])
def test_water_that_evaporates_is_released_once_and_refused_once(seed: int, days: float) -> None:
    """Stale at 24 h, never ready beyond what the probe is worth, and no alarm flaps."""
    room, outside = without_a_lid(seed, days)
    to = [str(facts_in(each)["to"]) for each in room.events if each.kind is Kind.PHASE]
    raised = [
        str(facts_in(each)["name"])
        for each in room.events
        if each.kind is Kind.ALARM and facts_in(each)["what"] == "raised"
    ]
    stale = next(
        each.at.mono_s
        for each in room.events
        if each.kind is Kind.ALARM and facts_in(each)["name"] == "batch-stale"
    )
    released = next(
        each.at.mono_s
        for each in room.events
        if each.kind is Kind.PHASE and facts_in(each)["to"] == "ready"
    )

    assert 1 == to.count("ready")
    assert 1 == to.count("dissolving")
    assert outside < 2.0 * 0.22
    assert "off_target" == to[-1]
    assert [1, 1, 1] == [raised.count(name) for name in ALARMS]
    assert DAY_S == pytest.approx(stale - released, abs=60.0)
    assert {*ALARMS} <= {*room.alarms()}
