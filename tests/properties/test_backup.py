"""Whatever happens to a backup on its way, what is restored from it is what was backed up."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from daemon.journal.backup.archive import BackupError, opened
from daemon.journal.backup.restore import restore
from daemon.journal.errors import JournalError
from tests.parts.backups import LATER, backed_up, entries_of, station


@pytest.fixture(scope="module")
def made() -> Iterator[Path]:
    """A backup, with the journal beside it."""
    with tempfile.TemporaryDirectory() as folder:
        station(Path(folder), entries=20)
        yield backed_up(Path(folder))


def members(path: Path) -> dict[str, bytes]:
    """What is in a backup, by name.

    Raises:
        BackupError: It is refused.
    """
    with opened(path) as found:
        return {name: found.read(name) for name in sorted(found.manifest.members)}


CHANGES = st.lists(
    st.tuples(st.floats(0.0, 1.0, exclude_max=True), st.binary(min_size=1, max_size=40)),
    min_size=1,
    max_size=3,
)


# The size or place of the directory becomes one from which the library seeks before the start.
@example(changes=[(0.999, b"!")], kept=None)
@given(changes=CHANGES, kept=st.one_of(st.none(), st.floats(0.0, 1.0)))
def test_what_was_changed_is_refused_or_makes_no_difference(
    made: Path, changes: list[tuple[float, bytes]], kept: float | None
) -> None:
    """Bytes written over, or the end cut off: a sentence, or the same members byte by byte."""
    data, whole = bytearray(made.read_bytes()), members(made)
    for at, noise in changes:
        start = int(at * len(data))
        data[start : start + len(noise)] = noise
    data = data if kept is None else data[: int(kept * len(data))]
    with tempfile.TemporaryDirectory() as folder:
        spoilt = Path(folder) / "a.backup"
        spoilt.write_bytes(data)
        with suppress(BackupError):
            assert whole == members(spoilt)


@given(at=st.floats(0.0, 1.0, exclude_max=True), bit=st.integers(0, 7))
def test_a_restore_from_a_turned_bit_is_refused_or_right(made: Path, at: float, bit: int) -> None:
    """Nothing is touched by a refusal; nothing wrong is ever restored."""
    data = bytearray(made.read_bytes())
    data[int(at * len(data))] ^= 1 << bit
    with tempfile.TemporaryDirectory() as folder:
        spoilt, journal = Path(folder) / "a.backup", Path(folder) / "journal.db"
        spoilt.write_bytes(data)
        shutil.copy(made.with_name("journal.db"), journal)
        whole = entries_of(journal)
        try:
            restore(spoilt, journal, LATER)
        except (BackupError, JournalError):
            assert whole == entries_of(journal)
        else:
            assert whole.items() <= entries_of(journal).items()
            assert 1 == len(entries_of(journal)) - len(whole)
