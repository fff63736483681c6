"""A slice of the campaign of seeded faults: three of them are put in, and each is noticed."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from random import Random

import pytest

from tests.campaigns.copies import ROOT, Copy, copied
from tests.campaigns.seeded_faults.faults import FAULTS, Fault
from tests.campaigns.seeded_faults.replay import Case, Verdict, replay, try_fault, with_fault

SEED = 19


@pytest.fixture(scope="module")
def copy() -> Iterator[Copy]:
    """A copy of the tree, for the whole slice."""
    with copied() as one:
        yield one


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.name)
def test_each_fault_can_still_be_put_in(fault: Fault) -> None:
    """The text that it replaces stands in the program, as often as is said."""
    text = (ROOT / fault.file).read_text()
    changed = with_fault(text, fault)

    assert changed is not None
    assert changed != text


@pytest.mark.timeout(600)
def test_three_faults_are_noticed(copy: Copy) -> None:
    """By the tests that are named beside each, which pass without it."""
    told: list[Case] = []
    cases = replay(copy, Random(SEED).sample(FAULTS, 3), told.append)

    assert [Verdict.CAUGHT] * 3 == [case.verdict for case in cases], cases
    assert cases == told


def test_a_fault_that_nothing_notices_is_said_to_live(copy: Copy) -> None:
    """So that a test which asserts nothing could not pass for one that notices."""
    unrelated = replace(FAULTS[0], tests=("tests/unit/wire/test_units.py",))

    assert Verdict.LIVED is try_fault(copy, unrelated).verdict


def test_a_fault_whose_text_has_gone_is_said_to_be_none(copy: Copy) -> None:
    """It counts as not caught, and the sentence names the file."""
    case = try_fault(copy, replace(FAULTS[0], old="no such text stands here"))

    assert Verdict.NOT_FOUND is case.verdict
    assert case.why.startswith(f"{FAULTS[0].file} has it 0 times, 1 expected")
