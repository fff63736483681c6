"""The chance that mixing is over on the page: a line of words, and a bar where it is known."""

from __future__ import annotations

import re

import pytest

from daemon.entries import JSON
from daemon.page.now.chance_bar import LONGEST, chance_bar
from daemon.page.now.gauge import WIDTH
from daemon.page.now.status_page import status_page
from daemon.page.view import ReservoirView
from tests.page.page_parts import reservoir_view, station_view
from tests.page.test_status_page import read

BAR = re.compile(r'<rect class="share" x="0" y="0" width="([\d.]+)"')


def dissolving(age_s: float = 2.0, **members: JSON) -> ReservoirView:
    """A reservoir in which salt dissolves."""
    facts: dict[str, JSON] = {
        "phase": "dissolving",
        "chance_over": 0.62,
        "held_back_by": ["still rising 0.08 ppt an hour", "only 6 min since salt came"],
    }
    return reservoir_view(age_s=age_s, facts={**facts, **members})


def test_the_chance_and_what_holds_it_back_are_one_line() -> None:
    """With a bar of that share, whose words are those of the line."""
    view = station_view(dissolving())
    words = (
        "Mixing over: 62 %, held back by: still rising 0.08 ppt an hour; only 6 min since salt came"
    )

    assert words in read(view).text
    (width,) = BAR.findall(status_page(view))
    assert float(width) == pytest.approx(0.62 * WIDTH, abs=0.1)
    assert f'role="img" aria-label="{words}"' in status_page(view)


def test_an_unknown_chance_has_words_and_no_bar() -> None:
    """An empty bar would say that mixing is not over."""
    view = station_view(dissolving(chance_over=None, held_back_by=["the pump is off"]))

    assert "Mixing over: unknown (the pump is off)" in read(view).text
    assert [] == BAR.findall(status_page(view))


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
    assert len(found.words) == LONGEST
    assert "<b>" not in status_page(station_view(view))
