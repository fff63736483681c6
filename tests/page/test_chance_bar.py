"""The chance that mixing is over on the page: a line of words, and a bar where it is known."""

from __future__ import annotations

import re

import pytest

from daemon.entries import JSON
from daemon.page.now.chance_bar import WIDTH, chance_bar
from daemon.page.now.now_page import now_page
from daemon.page.view import ReservoirView
from tests.page.outline_parts import read
from tests.page.page_parts import reservoir_view, station_view

BAR = re.compile(r'<rect class="part" x="0" y="0" width="([\d.]+)"')


def dissolving(age_s: float = 2.0, **members: JSON) -> ReservoirView:
    """A reservoir in which salt dissolves."""
    facts: dict[str, JSON] = {
        "phase": "dissolving",
        "chance_over": 0.62,
        "held_back_by": ["still rising 0.08 ppt an hour", "only 6 min since salt came"],
    }
    return reservoir_view(age_s=age_s, facts={**facts, **members})


def test_the_chance_is_a_bar_beside_what_is_waited_for() -> None:
    """The bar has the words of its line; what holds it back is what to do, and in the details."""
    view = station_view(dissolving())
    waits = "still rising 0.08 ppt an hour; only 6 min since salt came"
    said = read(view).text

    assert f"Wait: {waits}." in said
    assert f"Mixing over62 %, held back by: {waits}" in said
    (width,) = BAR.findall(now_page(view))
    assert float(width) == pytest.approx(0.62 * WIDTH, abs=0.1)
    assert 'role="img" aria-label="Mixing over: 62 %"' in now_page(view)


def test_an_unknown_chance_has_words_and_no_bar() -> None:
    """An empty bar would say that mixing is not over."""
    view = station_view(dissolving(chance_over=None, held_back_by=["the pump is off"]))

    assert "Mixing over: unknown" in read(view).text
    assert "Mixing overunknown (the pump is off)" in read(view).text
    assert [] == BAR.findall(now_page(view))


def test_where_nothing_is_decided_there_is_no_line() -> None:
    """Before salt, and after the call."""
    assert "Mixing over" not in read(station_view(reservoir_view())).text


def test_an_old_chance_is_not_shown() -> None:
    """The reading is of ten minutes ago; how it stands now nobody knows."""
    assert "Mixing over" not in read(station_view(dissolving(age_s=600.0))).text


@pytest.mark.parametrize("chance", [-0.5, 1.5])
def test_a_share_that_is_none_draws_no_bar(chance: float) -> None:
    """A journal may hold anything."""
    view = dissolving(chance_over=chance, held_back_by=["<b>" * 400])
    assert view.snapshot is not None
    found = chance_bar(view.snapshot)

    assert found is not None
    assert found.share is None
    assert "Mixing over: unknown" == found.words
    assert "<b>" not in now_page(station_view(view))
