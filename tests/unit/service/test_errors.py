"""One root of all errors, and what a program ends with that one of them ends."""

from __future__ import annotations

import importlib
import inspect
import pkgutil
from collections.abc import Iterator
from pathlib import Path

import pytest
import typer

import daemon
from daemon.cli import main, salinity
from daemon.config import ConfigError
from daemon.errors import BrinewrightError, ExitCode
from daemon.journal.backup.archive import BackupError
from daemon.journal.command_format import BadRequestError
from daemon.journal.errors import JournalBusyError, JournalError, JournalMissingError
from daemon.journal.inbox import CannotBeSentError
from daemon.mixing.seawater.properties import OutOfRange
from daemon.publishing.sink import SinkError

CODES = [
    (BackupError("a copy cannot be made"), 1),
    (BadRequestError("it asks nothing"), 2),
    (CannotBeSentError("it is too long"), 2),
    (OutOfRange("-99 °C is no temperature of water"), 2),
    (JournalError("it cannot be written"), 69),
    (JournalBusyError("another writes it"), 69),
    (JournalMissingError(Path("journal.db")), 69),
    (SinkError("mqtt.password_file: it is empty"), 78),
    (ConfigError(["station is missing", "reservoir is missing"]), 78),
]


def own_exceptions() -> Iterator[type[BaseException]]:
    """Yield every class of exception that the service defines."""
    for module in pkgutil.walk_packages(daemon.__path__, "daemon."):
        if module.name.endswith("__main__"):
            continue
        for _, each in inspect.getmembers(importlib.import_module(module.name), inspect.isclass):
            if issubclass(each, BaseException) and each.__module__ == module.name:
                yield each


def test_every_error_of_the_service_has_one_root() -> None:
    """Whoever catches the root catches whatever the service itself raises."""
    found = set(own_exceptions())

    assert {each for each in found if not issubclass(each, BrinewrightError)} == set()
    assert len(found) >= 25


def test_what_a_formula_refuses_is_still_a_value_error() -> None:
    """Those who call a formula with a wrong value catch it as one, as Python's own do."""
    with pytest.raises(ValueError, match="no temperature"):
        raise OutOfRange("-99 °C is no temperature of water")


@pytest.mark.parametrize("error, code", CODES, ids=lambda each: type(each).__name__)
def test_a_verb_ends_with_the_code_and_every_sentence_of_its_error(
    error: BrinewrightError,
    code: int,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """One place turns an error into sentences on standard error and the exit code of its class."""

    def register(app: typer.Typer) -> None:
        @app.command(name="salinity")
        def verb() -> None:
            raise error

    monkeypatch.setattr(salinity, "register", register)

    assert code == main.invoke(["salinity"])
    printed = capsys.readouterr()
    assert [f"brinewright: {each}." for each in error.sentences] == printed.err.splitlines()
    assert printed.out == ""


def test_the_codes_are_those_that_the_design_fixes() -> None:
    """0, 1, 2, 69 and 78 are relied on by scripts and by the service manager."""
    fixed = {"DONE": 0, "NOT_SO": 1, "USAGE": 2, "UNAVAILABLE": 69, "SOFTWARE": 70, "CONFIG": 78}

    assert fixed == {each.name: each.value for each in ExitCode}
