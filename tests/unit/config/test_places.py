"""Where configuration and journal are when nobody says so: fixed places, or a user's own."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from daemon.config import find_config, load
from daemon.config import places as usual
from daemon.config.places import new_configuration, own_configuration, own_journal, usual_journal
from tests.parts.accounts import STRANGER, needs_root, open_folder, run_as
from tests.parts.configurations import configuration


@pytest.fixture
def machine(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A machine whose service has its places below a folder of the test, with a home beside."""
    monkeypatch.setattr(usual, "SERVICE_CONFIGURATION", tmp_path / "etc/b/brinewright.toml")
    monkeypatch.setattr(usual, "SERVICE_JOURNAL", tmp_path / "lib/b/journal.db")
    fixed = (tmp_path / "etc/b/brinewright.toml", tmp_path / "here/brinewright.toml")
    monkeypatch.setattr("daemon.config.loading.USUAL_PLACES", fixed)
    for name in ("etc", "lib", "here", "home"):
        (tmp_path / name).mkdir()
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    for name in ("XDG_CONFIG_HOME", "XDG_STATE_HOME"):
        monkeypatch.delenv(name, raising=False)
    return tmp_path


def written(path: Path, more: str = "") -> Path:
    """A configuration at a path, with its folder."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(configuration(more))
    return path


def test_a_users_own_configuration_comes_after_the_fixed_places(machine: Path) -> None:
    """The service's, then that of the present folder, then the user's own."""
    own = written(machine / "home/.config/brinewright/brinewright.toml")
    assert own == find_config()

    here = written(machine / "here/brinewright.toml")
    assert here == find_config()

    service = written(machine / "etc/b/brinewright.toml")
    assert service == find_config()


def test_where_none_is_found_every_place_is_named(machine: Path) -> None:
    """So that a person knows where to put one."""
    with pytest.raises(Exception, match="no configuration at ") as caught:
        find_config()

    for place in ("etc/b", "here", "home/.config/brinewright"):
        assert str(machine / place / "brinewright.toml") in str(caught.value)


@pytest.mark.parametrize(
    "variable, place", [("XDG_CONFIG_HOME", own_configuration), ("XDG_STATE_HOME", own_journal)]
)
def test_the_variables_of_the_standard_count_where_they_are_absolute(
    machine: Path, monkeypatch: pytest.MonkeyPatch, variable: str, place: Callable[[], Path | None]
) -> None:
    """A relative one would be another folder for each terminal."""
    usual_place = place()
    monkeypatch.setenv(variable, f"{machine}/elsewhere")
    assert machine / "elsewhere" / "brinewright" == getattr(place(), "parent", None)

    for useless in ("", "relative/path"):
        monkeypatch.setenv(variable, useless)
        assert usual_place == place()


def test_whoever_may_write_the_services_folder_writes_there(machine: Path) -> None:
    """Also before that folder is made."""
    config = written(machine / "here/brinewright.toml")
    assert machine / "lib/b/journal.db" == load(config).journal.path
    (machine / "lib/b").mkdir()
    assert machine / "lib/b/journal.db" == load(config).journal.path


def test_a_journal_that_is_configured_is_where_it_is_configured(machine: Path) -> None:
    """Nothing else is looked at then; other keys of the section change nothing."""
    config = written(machine / "here/brinewright.toml", '[journal]\npath = "records.db"\n')
    assert machine / "here/records.db" == load(config).journal.path
    written(config, "[journal]\nflush_interval_s = 9\n")
    assert (machine / "lib/b/journal.db", 9.0) == (
        load(config).journal.path,
        load(config).journal.flush_interval_s,
    )


@needs_root
def test_an_ordinary_users_journal_is_in_their_own_folder(monkeypatch: pytest.MonkeyPatch) -> None:
    """By their own configuration, while the service's leads to what the service writes."""
    with open_folder() as top:
        monkeypatch.setattr(usual, "SERVICE_CONFIGURATION", top / "etc/brinewright.toml")
        monkeypatch.setattr(usual, "SERVICE_JOURNAL", top / "lib/journal.db")
        monkeypatch.setenv("XDG_STATE_HOME", f"{top}/state")
        monkeypatch.delenv("XDG_CONFIG_HOME", raising=False)
        monkeypatch.setenv("HOME", f"{top}/home")
        service, own = (str(top / name / "brinewright.toml") for name in ("etc", "own"))

        def work() -> list[str]:
            found = [str(usual_journal(Path(each))) for each in (service, own)]
            return [*found, str(new_configuration())]

        without = run_as(STRANGER, work)
        (top / "lib").mkdir()
        installed = run_as(STRANGER, work)

    mine, new = f"{top}/state/brinewright/journal.db", f"{top}/home/.config/brinewright"
    assert [mine, mine, f"{new}/brinewright.toml"] == without
    assert [f"{top}/lib/journal.db", mine, f"{new}/brinewright.toml"] == installed


@needs_root
def test_an_account_without_a_home_has_the_services_places(monkeypatch: pytest.MonkeyPatch) -> None:
    """There is no other place that it could have."""
    for name in ("HOME", "XDG_CONFIG_HOME", "XDG_STATE_HOME"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr(Path, "home", classmethod(_no_home))

    assert (None, None) == (own_configuration(), own_journal())
    assert usual.SERVICE_JOURNAL == usual_journal(Path("brinewright.toml"))
    assert usual.SERVICE_CONFIGURATION == new_configuration()
    assert 0 == os.geteuid()


def _no_home(_: type[Path]) -> Path:
    raise RuntimeError("Could not determine home directory.")
