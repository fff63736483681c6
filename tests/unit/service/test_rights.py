"""Who may use a file, said to those who may not: real accounts, real modes."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from pathlib import Path

import pytest

from daemon.rights import missing_rights, user_name
from tests.parts.accounts import (
    GROUP,
    KEEPER,
    NAMELESS,
    ROOT,
    SERVICE,
    STRANGER,
    Account,
    give,
    needs_root,
    open_folder,
    run_as,
)

pytestmark = needs_root


@pytest.fixture
def folder() -> Iterator[Path]:
    """A folder of the service with its journal, for the group alone."""
    with open_folder() as top:
        found = top / "lib"
        found.mkdir()
        (found / "journal.db").touch()
        give(found / "journal.db", SERVICE, 0o640)
        yield give(found, SERVICE, 0o750)


def rights_text(account: Account, path: Path, *, write: bool = False) -> str:
    """What is said to an account of a path."""
    found: str = run_as(account, lambda: missing_rights(path, write=write))
    return found


def test_a_stranger_reads_which_group_may_and_how_to_join_it(folder: Path) -> None:
    """The folder is named, as it is what bars the way; the command can be copied."""
    assert (
        f"{folder} may be entered by the group {GROUP} alone, and you (nobody) are not in it:"
        f" sudo usermod -aG {GROUP} nobody, then log in again"
    ) == rights_text(STRANGER, folder / "journal.db")


def test_the_file_is_named_where_the_folder_is_open(folder: Path) -> None:
    """What is barred first is what is reported."""
    folder.chmod(0o755)

    assert rights_text(STRANGER, folder / "journal.db").startswith(
        f"{folder}/journal.db may be read by the group {GROUP} alone"
    )


@pytest.mark.parametrize("account", [ROOT, SERVICE, KEEPER])
def test_whoever_may_is_told_nothing(folder: Path, account: Account) -> None:
    """An empty sentence, for root too."""
    assert "" == rights_text(account, folder / "journal.db")


def test_a_keeper_may_not_write_and_is_sent_to_the_owner(folder: Path) -> None:
    """The group would not help, as the keeper is in it; nobody is told to change a mode."""
    assert (
        f"{folder}/journal.db may be written by daemon alone, and you are backup:"
        " sudo -u daemon brinewright ..."
    ) == rights_text(KEEPER, folder / "journal.db", write=True)


def test_a_secret_of_the_owner_alone_names_the_owner(folder: Path) -> None:
    """Nobody is sent into a group that may not read it either."""
    (folder / "receivers").touch()
    give(folder / "receivers", SERVICE, 0o600)

    assert (
        f"{folder}/receivers may be read by daemon alone, and you are backup:"
        " sudo -u daemon brinewright ..."
    ) == rights_text(KEEPER, folder / "receivers")


def test_what_root_alone_may_is_asked_of_root(folder: Path) -> None:
    """Without naming root as a user to become."""
    give(folder / "journal.db", ROOT, 0o600)

    assert rights_text(KEEPER, folder / "journal.db").endswith(
        "may be read by root alone, and you are backup: sudo brinewright ..."
    )


def test_a_login_from_before_is_told_to_log_in_again(folder: Path) -> None:
    """Who is in the group by the books, and not by this login, needs no command."""
    games = Account("games", 5, 65534)
    os.chown(folder, SERVICE.uid, 60)

    assert (
        f"{folder} may be entered by the group games alone; you (games) are in it, but this login"
        " is from before: log out, and log in again"
    ) == rights_text(games, folder / "journal.db")


def test_nobody_is_sent_into_a_group_of_the_system(folder: Path) -> None:
    """The group of shadowed passwords, of disks or of root is named, and not joined."""
    os.chown(folder, SERVICE.uid, 42)

    assert (
        f"{folder} may be entered by the group shadow alone, and you (nobody) are not in it:"
        " sudo -u daemon brinewright ..."
    ) == rights_text(STRANGER, folder / "journal.db")


def test_accounts_and_groups_without_a_name_are_reported_by_number(folder: Path) -> None:
    """With commands that take a number."""
    os.chown(folder, 61001, 61010)

    assert (
        f"{folder} may be entered by the group 61010 alone, and you (61003) are not in it:"
        " sudo -u '#61001' brinewright ..."
    ) == rights_text(NAMELESS, folder / "journal.db")
    assert "61003" == run_as(NAMELESS, user_name)


def test_what_is_ones_own_is_mended_with_a_mode(folder: Path) -> None:
    """Where the owner took the right from themselves."""
    give(folder / "journal.db", SERVICE, 0o240)

    assert (
        f"{folder}/journal.db is yours, but may not be read: chmod u+r {folder}/journal.db"
    ) == rights_text(SERVICE, folder / "journal.db")


def test_a_file_to_be_made_needs_its_folder(folder: Path) -> None:
    """What is not there bars nobody who reads; who writes needs the folder that it would be in."""
    there = folder / "new" / "file.csv"

    assert "" == rights_text(KEEPER, there)
    assert f"{folder} may be written by daemon alone" in rights_text(KEEPER, there, write=True)
    assert "" == rights_text(SERVICE, there, write=True)


def test_a_link_is_followed_to_what_it_names(folder: Path) -> None:
    """Where it lies is open to all; where it leads is not."""
    link = folder.with_name("journal.db")
    link.symlink_to(folder / "journal.db")

    assert f"{folder} may be entered by the group" in rights_text(STRANGER, link)


def test_further_groups_count(folder: Path) -> None:
    """A login that has it among many is not told to join."""
    many = replace(STRANGER, groups=(33, 38, 100))

    assert "" == rights_text(many, folder / "journal.db")


@pytest.mark.parametrize("path", ["a\0b", "x" * 5000, "/dev/null/x", ""])
def test_what_is_no_path_is_left_to_who_asked(path: str) -> None:
    """No right is missing there; and nothing is raised."""
    assert "" == run_as(STRANGER, partial(missing_rights, Path(path)))
