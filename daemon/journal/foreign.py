"""Whether a file at the path of one of ours is something else: a person's text, another's database.

What is not ours is never written, renamed or read as if it were.  A spoilt file of ours must
still be known for ours, or nothing would put it aside.  So a file counts as another's where it
can be read as something else, and where it says nothing of us and nothing beside it does.
"""

from __future__ import annotations

import os
from contextlib import suppress
from functools import cache
from pathlib import Path

from daemon.journal.another_program import another, listing, special
from daemon.journal.cursors import cursors_path
from daemon.journal.errors import ForeignFileError
from daemon.journal.inbox import beside
from daemon.journal.schema import MIGRATIONS
from daemon.journal.tables import made_by

MAGIC = b"SQLite format 3\0"
ZIP = b"PK\x03\x04"
BYTE_ORDER_MARKS = (b"\xff\xfe", b"\xfe\xff")
HEAD = 65_536
CHUNK = 1 << 20
MOST_READ = 64 * CHUNK
"""So far a file is searched for words of ours."""
WORDS = (b"conductivity_mS_cm", b'"state":"measuring began"', b"CREATE TABLE origins")
"""What every journal holds, in its schema, its snapshots and its events."""
CONTROLS = frozenset(range(32)) - frozenset(b"\t\n\v\f\r\x1b") | {127}


def refuse_foreign(journal: Path) -> None:
    """Return only where a path names a journal, whole or spoilt, or nothing yet.

    Raises:
        ForeignFileError: It names something else.
    """
    if found := foreign(journal):
        raise ForeignFileError(foreign_sentence(journal, found))


def foreign_sentence(journal: Path, found: str) -> str:
    """Say what was found at the path of a journal, and what to do."""
    return f"journal {journal}: this is {found}, which is left as it is; correct journal.path"


def foreign(journal: Path) -> str:
    """Return what is at the path of a journal, in words; nothing where that is one, or none yet."""
    try:
        if kind := special(journal.stat().st_mode):
            return kind
        with journal.open("rb") as file:
            head = file.read(HEAD)
    except OSError:
        # It is not there, or this user may not look: others have a sentence for that.
        return ""
    return _content(journal, head) if head else ""


def _content(journal: Path, head: bytes) -> str:
    if head.startswith(MAGIC):
        return _database(journal)
    if head.startswith(ZIP):
        return "a ZIP archive (a backup comes back by 'brinewright backup restore FILE')"
    if head.startswith(BYTE_ORDER_MARKS) or CONTROLS.isdisjoint(head):
        return "a text file"
    ours = _has_company(journal) or _mentions_us(journal)
    return "" if ours else f"no SQLite database (it begins with the bytes {head[:8].hex(' ')})"


def _database(journal: Path) -> str:
    found = listing(journal)
    if found is None:
        ours = _mentions_us(journal) or _has_company(journal)
        return "" if ours else "an SQLite database that cannot be read"
    return "" if not found or not _own().isdisjoint(found) else another(found)


@cache
def _own() -> frozenset[tuple[str, str, str, str]]:
    """Return every table as any version of ours makes it."""
    return frozenset(each for version in range(len(MIGRATIONS)) for each in made_by(version + 1))


def _has_company(journal: Path) -> bool:
    """Say whether there is what only a journal of ours at this path can have beside it."""
    beside_it = (cursors_path(journal), beside(journal), Path(f"{journal}.lock"))
    return any(os.path.lexists(each) for each in beside_it)


def _mentions_us(journal: Path) -> bool:
    """Say whether words of ours are in a file, as in what is left of a spoilt journal."""
    longest = max(map(len, WORDS))
    kept = b""
    with suppress(OSError), journal.open("rb") as file:
        for _ in range(MOST_READ // CHUNK):
            chunk = file.read(CHUNK)
            if not chunk:
                break
            text = kept + chunk
            if any(word in text for word in WORDS):
                return True
            kept = text[-longest:]
    return False
