"""Every file and module that a page mentions exists."""

from __future__ import annotations

import re
from functools import cache

import pytest

from daemon.mixing.alarm.catalogue import CATALOGUE
from daemon.mixing.alarm.former_names import PRESENT_NAMES
from tests.docs.guides import ROOT, documents, pages, text_of
from tests.docs.names import missing_modules, missing_places, places_in

HYPHENATED = {
    *("docker-compose", "lint-imports", "podman-compose"),
    *("brinewright-keepers", "fake-hwclock", "influx-token", "mqtt-password", "victoria-metrics"),
}
"""A group, programs of the system, files of secrets."""

MADE_BY_A_PAGE = {"deploy/guides/driver.md": ["daemon.probes.newest"]}
"""What a page shows whole: the tests take it from there."""


@cache
def source() -> str:
    """All that the program's source and its example configuration say."""
    rooms = ("daemon", "calibration", "tests/research")
    files = [path for room in rooms for path in ROOT.glob(f"{room}/**/*.py")]
    return "".join(
        path.read_text(encoding="utf-8") for path in [*files, ROOT / "deploy/brinewright.toml"]
    )


@pytest.mark.parametrize("page", documents())
def test_every_path_of_a_page_exists(page: str) -> None:
    """Whoever looks for `daemon/journal/` finds it."""
    assert [] == missing_places(text_of(page))


@pytest.mark.parametrize("page", documents())
def test_every_module_of_a_page_exists(page: str) -> None:
    """`python -m` of it works, and an import of it."""
    assert MADE_BY_A_PAGE.get(page, []) == missing_modules(text_of(page))


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


@pytest.mark.parametrize("page", pages())
def test_every_alarm_that_a_page_names_exists(page: str) -> None:
    """Names with a hyphen are alarms or words of the program, and no former name of an alarm."""
    named = set(re.findall(r"`([a-z]+(?:-[a-z]+)+)`", text_of(page)))
    former = set() if page == "deploy/CHANGELOG.md" else named & set(PRESENT_NAMES)
    others = named - set(CATALOGUE) - set(PRESENT_NAMES) - HYPHENATED

    assert set() == former | {name for name in others if f'"{name}"' not in source()}


@pytest.mark.parametrize("page", pages())
def test_every_key_that_a_page_names_is_in_the_program(page: str) -> None:
    """Names with an underscore are keys, fields or states that the source spells alike.

    A metric has the program's name before its own.
    """
    named = set(re.findall(r"`([a-z]+(?:_[A-Za-z0-9]+)+)`", text_of(page)))

    assert [] == sorted(name for name in named if name.removeprefix("brinewright_") not in source())
