"""Where configuration and records are, unless the configuration or an option names a place.

The service has fixed places.  Whoever runs the program without being the service has places of
their own, where the desktop's standard puts them.

Source: XDG Base Directory Specification 0.8 (from memory): a path that is not absolute is to be
passed over; without a variable the folders are `~/.config` and `~/.local/state`.
"""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path

SERVICE_CONFIGURATION = Path("/etc/brinewright/brinewright.toml")
SERVICE_JOURNAL = Path("/var/lib/brinewright/journal.db")
FOLDER = "brinewright"


def own_configuration() -> Path | None:
    """Return where a user's own configuration is; None for a user without a home folder."""
    base = _base("XDG_CONFIG_HOME", ".config")
    return None if base is None else base / FOLDER / SERVICE_CONFIGURATION.name


def new_configuration() -> Path:
    """Return where the first configuration of a machine, or of this user, belongs."""
    own = None if _may_make(SERVICE_CONFIGURATION.parent) else own_configuration()
    return own or SERVICE_CONFIGURATION


def own_journal() -> Path | None:
    """Return where a user's own journal is; None for a user without a home folder."""
    base = _base("XDG_STATE_HOME", ".local/state")
    return None if base is None else base / FOLDER / SERVICE_JOURNAL.name


def usual_journal(configuration: Path) -> Path:
    """Return where the journal is when its configuration does not say so.

    It is the service's where this user may write that, and where the configuration is the
    service's own and its folder is there: who looks at the service must find what it writes.
    Else it is the user's own.

    Args:
        configuration: The file that does not say so.
    """
    service = os.path.realpath(configuration) == os.path.realpath(SERVICE_CONFIGURATION)
    if (service and SERVICE_JOURNAL.parent.is_dir()) or _may_make(SERVICE_JOURNAL.parent):
        return SERVICE_JOURNAL
    return own_journal() or SERVICE_JOURNAL


def _may_make(folder: Path) -> bool:
    """Say whether this user may write files in a folder, or make it to do so."""
    there = next(each for each in (folder, *folder.parents) if os.path.lexists(each))
    return there.is_dir() and os.access(there, os.W_OK | os.X_OK, effective_ids=True)


def _base(variable: str, below_home: str) -> Path | None:
    named = os.environ.get(variable, "")
    if named.startswith("/"):
        return Path(named)
    # An account need have no home folder.
    with suppress(RuntimeError):
        return Path.home() / below_home
    return None
