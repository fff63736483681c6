"""A seeded slice of the campaign that counts flags, `tests/campaigns/flags.py`."""

from __future__ import annotations

import pytest

from daemon.entries import Flag
from daemon.mixing.probe.quality import FURTHER
from simulators.scenarios import SCENARIOS
from tests.campaigns.flags import of_ordinary, of_pair, of_scenario

ORDINARY = ("plain-batch", "short-weight", "pump-stops", "heel")


@pytest.mark.parametrize("name", ORDINARY)
def test_a_sound_probe_in_an_ordinary_story_is_never_suspected(name: str) -> None:
    """Water that is salted, short, stands still or lies on a heel gives no flag from suspect on."""
    count = of_scenario(SCENARIOS[name](), period_s=5.0)

    assert count.readings > 500
    assert {} == {key: text for key, text in count.example.items() if key[1] >= Flag.SUSPECT}


def test_a_stuck_probe_is_found_by_its_flat_line_alone() -> None:
    """It is suspect and then fails, and no other test cries with it."""
    count = of_scenario(SCENARIOS["stuck-probe"]())

    assert {"flat_line"} == {name for name, flag in count.flagged if flag >= Flag.SUSPECT}
    assert count.flagged["flat_line", Flag.FAIL] > 0


@pytest.mark.parametrize("number", [0, 3])
def test_an_ordinary_batch_of_a_keeper_fails_no_further_test(number: int) -> None:
    """With bubbles and lost replies, and whatever the probe is like."""
    count = of_ordinary(number, seed=1)

    assert count.readings > 100
    assert {} == count.false_failures()
    suspect = sum(count.flagged[name, Flag.SUSPECT] for name in FURTHER)
    assert suspect / count.readings < 0.01


def test_two_probes_that_agree_are_never_suspected() -> None:
    """From the pour to released water, each with its own lag, noise and error."""
    count = of_pair(SCENARIOS["plain-batch"](), 0, seed=1)

    assert count.flagged["neighbour", Flag.NOT_EVALUATED] < 0.9 * count.readings
    assert {} == {key: text for key, text in count.example.items() if key[1] >= Flag.SUSPECT}


def test_two_probes_that_differ_by_more_than_both_are_worth_are_suspect() -> None:
    """The fifteenth pair was drawn 0.46 ppt apart, where 0.3 is allowed."""
    count = of_pair(SCENARIOS["plain-batch"](), 15, seed=1)

    assert {"neighbour"} == {name for name, flag in count.flagged if flag >= Flag.SUSPECT}
