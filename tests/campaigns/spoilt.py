"""Journals cut off and with bits turned, hundreds of ways: found, told, and nothing made up.

    python -m tests.campaigns.spoilt --count 2000 --seed 1

Each is opened as measuring opens it.  What can be read afterwards under a number is what was
written under it; what is missing was told; what is new has a number that was never given.
"""

from __future__ import annotations

import argparse
import logging
import random
import shutil
import sys
import tempfile
from collections import Counter
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path

from daemon.entries import Entry, Event, Instant, Kind, Reading
from daemon.journal.checkpoint import dump
from daemon.journal.cursors import Cursors, cursor_name, cursors_path
from daemon.journal.reader import Reader
from daemon.journal.recovery.recovery import open_writer
from daemon.journal.retention import OLDEST, summarise
from daemon.journal.station_restore import restore_station
from daemon.journal.writer import Writer
from daemon.mixing.events import OtherEvent
from daemon.mixing.service_events import EntryDamaged
from daemon.mixing.station.station import ReservoirSettings, StationState
from tests.parts.events import facts_in
from tests.parts.numbered import START, event, reading
from tests.parts.snapshots import snapshots_in, stored
from tests.parts.weights import weights

READINGS, EVENTS = 3000, 150
LOG = logging.getLogger("tests.spoilt")
SETTINGS = {"mix-1": ReservoirSettings("mix-1")}


@dataclass(frozen=True)
class Original:
    """A journal as it was before the disk spoilt it.

    Attributes:
        folder: Holds it as a clean end leaves it (`closed`) and as a kill does (`killed`).
        written: All that was ever written to it, by number.
        kept: Numbers of what it holds as such; the others are in its summaries.
        identity: Its name.
    """

    folder: Path
    written: dict[int, Entry]
    kept: set[int]
    identity: str


def original(folder: Path) -> Original:
    """Write one of some thousand entries, a part of them summaries by now."""
    path = folder / "killed" / "journal.db"
    path.parent.mkdir(parents=True)
    written: dict[int, Entry] = {}
    with Writer(path, 1e9) as writer:
        for number in range(0, READINGS, 20):
            entries: list[Entry] = [
                replace(event(number), body=OtherEvent(Kind.PHASE, {"number": number}))
            ]
            entries += [reading(n, spoken=f"51.0,{n}") for n in range(number, number + 20)]
            written |= enumerate(entries, start=writer.last_seq + 1)
            snapshot = {"mix-1": stored(batch=str(number))}
            writer.append(entries, float(number), snapshot, dump(StationState()))
            if number == READINGS // 2:
                writer.within(lambda db: summarise(db, db.execute(OLDEST, (500, 480)).fetchall()))
        identity = Reader(path).identity()
        kept = {each.seq for each in Reader(path).after(0, 10**6)}
        shutil.copytree(path.parent, folder / "left", ignore=shutil.ignore_patterns("*-shm"))
    shutil.move(path.parent, folder / "closed")
    shutil.move(folder / "left", folder / "killed")
    return Original(folder, written, kept, identity)


def spoil(folder: Path, dice: random.Random) -> str:
    """Spoil a copy in one of the ways of disks; say which."""
    files = [file for file in (folder / "journal.db", folder / "journal.db-wal") if file.exists()]
    file = dice.choice(files)
    data = bytearray(file.read_bytes())
    way = dice.choice(("bit", "bits", "head", "cut", "zeros", "noise"))
    if way == "cut":
        del data[dice.randrange(len(data)) :]
    elif way in ("zeros", "noise"):
        length = dice.choice((512, 4096, 16_384))
        at = dice.randrange(len(data)) // 512 * 512
        data[at : at + length] = bytes(length) if way == "zeros" else dice.randbytes(length)
    else:
        span = min(len(data), 200) if way == "head" else len(data)
        for _ in range(20 if way == "bits" else 1):
            data[dice.randrange(span)] ^= 1 << dice.randrange(8)
    file.write_bytes(data)
    return f"{way} in {file.suffix}"


def one(first: Original, folder: Path, seed: int) -> str:
    """Spoil one journal and open it; say how it went.

    Raises:
        AssertionError: Something wrong was not told, or made up.
    """
    dice = random.Random(seed)
    shutil.copytree(first.folder / dice.choice(("closed", "killed")), folder)
    path = folder / "journal.db"
    published = dice.random() < 0.5
    if published:
        with Cursors(cursors_path(path)) as cursors:
            cursors.advance(cursor_name("mqtt", first.identity), max(first.written))
    way = spoil(folder, dice)
    now = Instant(START + timedelta(hours=2), 7200.0, "boot-1")
    writer, told = open_writer(path, 1e9, now, LOG)
    with writer:
        restore_station(path, SETTINGS, weights(), LOG)
        snapshots_in(Reader(path))
        fresh = replace(reading(7201), spoken="fresh")
        writer.append([*told, fresh], 7201.0)
        found = {each.seq: each.entry for each in Reader(path).after(0, 10**6)}
        old = Reader(path).summaries(limit=10**6)
    return judged(first, folder, found, published=published, way=way, summaries=len(old))


def judged(
    first: Original,
    folder: Path,
    found: dict[int, Entry],
    *,
    published: bool,
    way: str,
    summaries: int,
) -> str:
    """Return what became of a journal, once that is nothing that may not be."""
    (fresh,) = (seq for seq, e in found.items() if isinstance(e, Reading) and e.spoken == "fresh")
    events = [each for each in found.values() if isinstance(each, Event)]
    states = {str(facts_in(e).get("state")) for e in events if e.kind is Kind.DEVICE}
    aside = list(folder.glob("journal-broken-*.db"))
    # The reading that was written after it, and what was told with it.
    new = {seq for seq in found if seq >= fresh - ("journal cut off" in states)}
    new |= {seq for seq, e in found.items() if _is_journal_notice(e)}
    same = {seq for seq in found if first.written.get(seq) == found[seq]}
    marked = {seq for seq, each in found.items() if _is_damaged(each)}
    assert set(found) == new | same | marked, f"{way}: an entry is not what was written"
    missing = first.kept - set(found)
    if aside:
        assert "journal put aside" in states, f"{way}: put aside and not told"
        assert min(new) > max(first.written), f"{way}: a number was given twice"
        return "put aside"
    if missing or "journal cut off" in states:
        cut = way.endswith("-wal") and missing == {
            seq for seq in first.kept if seq >= min(missing, default=0)
        }
        assert cut or not missing, f"{way}: {len(missing)} entries are missing and nobody says so"
        if published or "journal cut off" in states:
            assert "journal cut off" in states, f"{way}: publishers know more, and nobody says so"
            assert min(new) > max(first.written), f"{way}: a number was given twice"
            return "cut off, told"
        return "cut off at its very end, as by a power cut"
    if marked:
        return "entries marked"
    return "summaries missing" if summaries < SUMMARIES else "nothing of value was hit"


SUMMARIES = 8


def _is_journal_notice(entry: Entry) -> bool:
    state = str(facts_in(entry).get("state")) if isinstance(entry, Event) else ""
    return state.startswith("journal ")


def _is_damaged(entry: Entry) -> bool:
    return isinstance(entry, Event) and isinstance(entry.body, EntryDamaged)


def play(count: int, seed: int) -> Counter[str]:
    """Spoil so many journals; return how often each went which way."""
    LOG.disabled = True
    ends: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as text:
        first = original(Path(text))
        for number in range(count):
            folder = Path(text) / "spoilt"
            try:
                ends[one(first, folder, seed * 1_000_003 + number)] += 1
            except Exception as exc:
                exc.add_note(f"seed {seed}, number {number}")
                raise
            shutil.rmtree(folder)
    return ends


def main() -> None:
    """Play as many as asked for and print how they went."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    for end, times in play(options.count, options.seed).most_common():
        sys.stdout.write(f"{times:6d}  {end}\n")


if __name__ == "__main__":
    main()
