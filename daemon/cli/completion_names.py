"""Names for completion: reservoirs and probes of the configuration, lots of the journal, alarms.

The configuration is looked into, not checked: a shell that completes waits for the answer, and
a file with a fault elsewhere has names too.  So little more than the standard library is loaded.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Iterator, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

SERVICE_CONFIGURATION = Path("/etc/brinewright/brinewright.toml")
SERVICE_JOURNAL = Path("/var/lib/brinewright/journal.db")
"""As `daemon.config.places` has them, which would load the whole of the configuration."""
KINDS = ("reservoir", "probe", "lot", "alarm")
LARGEST_BYTES = 1_000_000


def names(kind: str, config: Path | None, environ: Mapping[str, str]) -> list[str]:
    """Return the names of a kind that are there; none where they cannot be read.

    Args:
        kind: One of `KINDS`; others have no names.
        config: What `--config` says; None to look in the usual places.
        environ: Of the process.
    """
    if kind not in KINDS:
        return []
    if kind == "alarm":
        from daemon.mixing.alarm.catalogue import CATALOGUE

        return sorted(CATALOGUE)
    for path in [config] if config else configurations(environ):
        with suppress(OSError, ValueError, TypeError, LookupError, AttributeError):
            with path.open("rb") as file:
                settings = tomllib.loads(file.read(LARGEST_BYTES).decode())
            if kind == "lot":
                return sorted(_lots(journals(settings, path, environ)))
            reservoirs = settings.get("reservoir", [])
            if kind == "reservoir":
                return [each["name"] for each in reservoirs]
            return [probe["name"] for each in reservoirs for probe in each.get("probe", [])]
    return []


def configurations(environ: Mapping[str, str]) -> list[Path]:
    """Return where a configuration may be, in the order in which it is looked for."""
    own = _base(environ, "XDG_CONFIG_HOME", ".config") / "brinewright" / SERVICE_CONFIGURATION.name
    return [SERVICE_CONFIGURATION, Path(SERVICE_CONFIGURATION.name), own]


def journals(
    settings: Mapping[str, Any], config: Path, environ: Mapping[str, str]
) -> Iterator[Path]:
    """Yield where the journal may be.

    Args:
        settings: What the configuration holds.
        config: Its file.
        environ: Of the process.
    """
    named = settings.get("journal", {}).get("path")
    if named is not None:
        yield config.parent / named
        return
    yield SERVICE_JOURNAL
    yield _base(environ, "XDG_STATE_HOME", ".local/state") / "brinewright" / SERVICE_JOURNAL.name


def _base(environ: Mapping[str, str], variable: str, below_home: str) -> Path:
    named = environ.get(variable, "")
    return Path(named) if named.startswith("/") else Path(environ.get("HOME", "/")) / below_home


def _lots(journals: Iterator[Path]) -> list[str]:
    from daemon.journal.errors import JournalError
    from daemon.journal.reader import Reader

    for path in journals:
        with suppress(JournalError, OSError, ValueError):
            checkpoint = Reader(path).checkpoint()
            whole = {} if checkpoint is None else json.loads(checkpoint[1])
            return [*whole.get("state", whole).get("lots", {})]
    return []
