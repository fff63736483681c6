"""Hostile bytes for every parser; the campaign gives each a hundred thousand."""

from __future__ import annotations

import pytest

from tests.campaigns.parsers.hostile import play
from tests.campaigns.parsers.targets import TARGETS


@pytest.mark.parametrize("name", TARGETS)
def test_no_exception_escapes_a_parser_and_no_value_is_unproven(name: str) -> None:
    """Whatever comes; and of sound messages a value comes, so that the rules are not empty."""
    tried, accepted = play(TARGETS[name], 200, 21)

    assert 100 < tried
    assert 0 < accepted
    assert all(TARGETS[name].read(message) for message in TARGETS[name].seeds)
