"""`brinewright run`: the service itself, in processes that know nothing of this one."""

from __future__ import annotations

import os
import sys
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from daemon import run as both
from daemon.cli.output import UNAVAILABLE, fail, read_config
from daemon.config import find_config
from daemon.config.places import SERVICE_CONFIGURATION, SERVICE_JOURNAL, own_journal
from daemon.journal.foreign import refuse_foreign
from daemon.journal.place import prepare
from daemon.rights import missing_rights


class Part(StrEnum):
    """What may be run alone."""

    MEASURE = "measure"
    PUBLISH = "publish"


def register(app: typer.Typer) -> None:
    """Add the verb to the command line."""
    app.command()(run)


def run(
    *,
    config: Annotated[Path | None, typer.Option(help="Configuration file.")] = None,
    only: Annotated[Part | None, typer.Option(help="Run one of the two processes.")] = None,
) -> None:
    """Measure and publish until stopped."""
    journal, path = read_config(config).journal.path, find_config(config)
    refuse_foreign(journal)
    for each in (journal, journal.parent):
        if lacking := missing_rights(each, write=True):
            fail(f"{lacking}{_elsewhere(journal, path)}", UNAVAILABLE)
    if only is not Part.PUBLISH:
        prepare(journal)
    if only is None:
        words = [sys.executable, "-m", "daemon.run", "--config", str(path)]
    else:
        words = both.command(str(only), path)
    # The command line's libraries stay behind: a new program takes this one's place.
    sys.stdout.flush()
    os.execv(sys.executable, words)  # noqa: S606 - our own modules, no shell


def _elsewhere(journal: Path, config: Path) -> str:
    """Return where a user who is not the service can have a journal without more ado."""
    own = own_journal()
    if journal != SERVICE_JOURNAL or config == SERVICE_CONFIGURATION or own is None:
        return ""
    return f"; or take journal.path out of {config}, and the journal is {own}"
