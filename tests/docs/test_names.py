"""Every file and module that a page mentions exists."""

from __future__ import annotations

import pytest

from tests.docs.guides import pages, text_of
from tests.docs.names import missing_modules, missing_places, places_in


@pytest.mark.parametrize("page", pages())
def test_every_path_of_a_page_exists(page: str) -> None:
    """Whoever looks for `daemon/journal/` finds it."""
    assert [] == missing_places(text_of(page))


@pytest.mark.parametrize("page", pages())
def test_every_module_of_a_page_exists(page: str) -> None:
    """`python -m` of it works, and an import of it."""
    assert [] == missing_modules(text_of(page))


def test_the_developers_page_names_every_room() -> None:
    """The table of rooms is not empty: a page without names would pass the checks above."""
    assert len(set(places_in(text_of("DEVELOPERS.md")))) > 20


def test_names_that_do_not_exist_are_noticed() -> None:
    """A moved file, a folder that is none, a module and a name that are gone."""
    page = (
        "See `daemon/journal/`, `daemon/gone.py`, `tests/unit/*/` and `deploy/nothing/`, run "
        "`python -m tests.run_all`, or `daemon.config.parse` and `daemon.config.prase`."
    )

    assert ["daemon/gone.py", "deploy/nothing/"] == missing_places(page)
    assert ["tests.run_all", "daemon.config.prase"] == missing_modules(page)
