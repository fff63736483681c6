"""Tables are compared by what they hold, not by the words beside them."""

from __future__ import annotations

import sqlite3
from contextlib import closing

from daemon.journal.schema import MIGRATIONS
from daemon.journal.tables import made_by, tables_in


def listing(steps: list[str]) -> list[tuple[str, str, str, str]]:
    """What tables some steps make."""
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as db:
        for step in steps:
            db.executescript(step)
        return tables_in(db)


def test_words_in_a_comment_make_no_other_table() -> None:
    """Else a better word would put every journal in use aside as spoilt."""
    steps = [each.replace(" -- ", " -- other words: ") for each in MIGRATIONS]

    assert steps != list(MIGRATIONS)
    assert made_by(len(MIGRATIONS)) == listing(steps)


def test_another_column_makes_another_table() -> None:
    """Comments are left out, and nothing else of a line with one."""
    steps = [each.replace("c_decimals INTEGER", "c_decimals REAL") for each in MIGRATIONS]

    assert steps != list(MIGRATIONS)
    assert made_by(len(MIGRATIONS)) != listing(steps)
