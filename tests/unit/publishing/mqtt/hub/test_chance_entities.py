"""The chance that mixing is over as a hub shows it."""

from __future__ import annotations

import pytest

from tests.parts.hub_states import PICTURE, entity_states


@pytest.mark.parametrize(
    "chance, reasons, shown",
    [
        (0.999, [], ("99.0", "None")),
        (1.0, [], ("100.0", "None")),
        (None, ["the pump is off"], ("None", "the pump is off")),
        (0.004, [], ("0.0", "None")),
    ],
)
def test_the_chance_that_mixing_is_over_is_a_share_of_a_hundred(
    chance: float | None, reasons: list[str], shown: tuple[str, str]
) -> None:
    """What is not known is unknown and never nothing; what holds it back is read in one line."""
    found = entity_states(PICTURE | {"chance_over": chance, "held_back_by": reasons})

    assert shown == (found["mixing-over"], found["held-back-by"])
