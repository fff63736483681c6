"""A small database of a sink's own beside the journal: opened, checked, made again if broken."""

from __future__ import annotations

import logging
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from daemon.journal.another_program import instead_of
from daemon.journal.cursors import MOVE
from daemon.publishing.sink import SinkError

log = logging.getLogger("brinewright.publish")


@dataclass(frozen=True, slots=True)
class OwnFile:
    """What is particular about one such file.

    Attributes:
        tables: Their names, by which it is known as ours.
        script: Makes them where they are not there.
        loss: What follows where it was broken, as a clause.
    """

    tables: frozenset[str]
    script: str
    loss: str

    def open(self, path: Path) -> sqlite3.Connection:
        """Return it, opened or created; one that is broken is moved aside first.

        Raises:
            SinkError: It cannot be opened, or is the file of another program.
        """
        if found := instead_of(path, self.tables):
            raise SinkError(f"{path}: this is {found}, which is left as it is; {MOVE}")
        try:
            return self._connect(path)
        except sqlite3.OperationalError as exc:
            raise SinkError(f"{path}: cannot be opened: {exc}; check the folder") from exc
        except sqlite3.DatabaseError as exc:
            aside = path.with_name(f"{path.name}.broken")
            path.replace(aside)
            log.warning("%s is broken (%s) and was moved to %s; %s", path, exc, aside, self.loss)
            return self._connect(path)

    def _connect(self, path: Path) -> sqlite3.Connection:
        db = sqlite3.connect(path, isolation_level=None, check_same_thread=False, timeout=2.0)
        try:
            db.execute("PRAGMA journal_mode = WAL")
            db.execute("PRAGMA synchronous = FULL")
            (result,) = db.execute("PRAGMA quick_check(1)").fetchone()
            if result != "ok":
                raise sqlite3.DatabaseError(result)
            db.executescript(self.script)
        except sqlite3.Error:
            with closing(db):
                raise
        return db
