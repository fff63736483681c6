"""Backups and restores killed without warning at random moments, beside a station that measures.

    python -m tests.campaigns.backup_kills --count 50 --seed 1

Real processes: a simulated instrument on a real line, measuring, commands that come all the time,
and the command line.  First so many kills of `backup create`: the file is whole or not there, what
is in it is what the journal held at one moment, and measuring has not noticed.  Then as many of
`backup restore`: what is measured into afterwards is the old journal whole or the restored one
whole, with the cursors and the inbox that belong to it; nothing that was put aside has lost
anything, no number was given twice, and a subscriber that drops a number that it has holds every
entry.  Ends with 1 if not.
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
import time
from collections import Counter
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from daemon.entries import Entry, Event, Kind
from daemon.journal.backup import archive
from daemon.journal.backup.archive import BackupError
from daemon.journal.backup.proof import Proof, prove
from daemon.journal.backup.restore import RESTORED, check
from daemon.journal.backup.workplace import PREFIX
from daemon.journal.checkpoint import dump
from daemon.journal.cursors import cursors_path
from daemon.journal.errors import JournalError
from daemon.journal.inbox import Inbox
from daemon.journal.reader import Reader
from daemon.journal.replacement import note_path, staging_prefix
from daemon.journal.writer import Writer
from daemon.mixing.station.station import StationState
from tests.campaigns.backup_scene import Mark, Scene, killed, learned
from tests.conftest import wait_until
from tests.parts.backups import cursors_of, entries_of, unpacked
from tests.parts.events import facts_in
from tests.parts.numbered import reading
from tests.services.service_parts import Station, measuring, playing

READINGS = 8_000
"""Of an earlier life, so that a backup takes a while."""
BEGAN = datetime(2024, 5, 4, tzinfo=UTC)
BACK_S = 60.0


def earlier_life(journal: Path, readings: int = READINGS) -> None:
    """Write a journal of some size."""
    with Writer(journal, 1e9) as writer:
        for first in range(0, readings, 1000):
            some = [
                replace(each, at=replace(each.at, wall=BEGAN + timedelta(seconds=each.at.mono_s)))
                for each in (reading(n, boot="boot-0") for n in range(first, first + 1000))
            ]
            writer.append(some, float(first), checkpoint=dump(StationState()))


# --- backups -------------------------------------------------------------------------------------


def marks_of_a_backup(scene: Scene) -> tuple[Mark, ...]:
    """What shows how far it is: begun, copying, packing, in its place."""
    folder, file = scene.station.folder, scene.file
    before = file.stat().st_ino if file.exists() else 0

    def works() -> bool:
        return any(each.stat().st_size for each in folder.glob(f"{PREFIX}*/*/journal.db"))

    return (
        lambda: True,
        lambda: any(folder.glob(f"{PREFIX}*")),
        works,
        lambda: any(folder.glob(f"{PREFIX}*/packed")),
        lambda: file.exists() and file.stat().st_ino != before,
    )


def kill_a_backup(scene: Scene, spans_s: list[float]) -> bool:
    """Kill one, and look whether the file, if there is one, is whole; False if it had ended."""
    again = scene.rng.random() < 0.5 and scene.file.exists()
    if not again:
        scene.file.unlink(missing_ok=True)
    before = scene.file.read_bytes() if again else b""
    for _ in range(scene.rng.randrange(3)):
        scene.ask()
    words = ("create", str(scene.file), *(("--force",) if again else ()))
    died = killed(scene, words, marks_of_a_backup(scene), spans_s)
    scene.must(scene.measure.alive, "measuring has ended")
    if not scene.file.exists():
        scene.must(not again and died, "a file that was there, or was finished, is gone")
        scene.ends["backup killed, no file"] += 1
        return True
    old = again and scene.file.read_bytes() == before
    scene.ends[f"backup {'killed' if died else 'ended'}, {'old' if old else 'new'} file"] += 1
    check_backup(scene)
    return died


def check_backup(scene: Scene) -> None:
    """Look whether what is in the file is what the journal held at one moment."""
    try:
        manifest = check(scene.file)
    except BackupError as exc:
        scene.faults.append(str(exc))
        return
    scene.must(not manifest.spoilt and not manifest.missing, f"not whole: {manifest}")
    with tempfile.TemporaryDirectory() as place:
        copied = unpacked(scene.file, Path(place) / "copy")
        scene.must(prove(copied) == Proof(), f"the copy is spoilt: {prove(copied)}")
        found, whole = entries_of(copied), entries_of(scene.journal)
        last = max(found)
        held = {seq: entry for seq, entry in whole.items() if seq <= last}
        scene.must(held == found, f"of {len(held)} entries {len(found)} are in the copy")
        if (cursors := copied.with_name(archive.CURSORS)).exists():
            ahead = [seq for seq in cursors_of(cursors).values() if seq > last]
            scene.must(not ahead, f"a cursor is ahead: {ahead} of {last}")
        check_commands(scene, copied)


def check_commands(scene: Scene, copied: Path) -> None:
    """Look whether each command in the copied inbox waits, or is answered in the copied journal."""
    path = copied.with_name(archive.INBOX)
    if not path.exists():
        return
    answers = Counter(
        str(facts_in(event).get("id"))
        for event in entries_of(copied).values()
        if isinstance(event, Event) and event.kind is Kind.COMMAND
    )
    inbox = Inbox(path)
    waiting = {each.id for each in inbox.after(inbox.go_on_from(0), 10_000)}
    for each in inbox.after(0, 10_000):
        held = answers[each.id] + (each.id in waiting)
        scene.must(held == 1, f"command {each.id} waits or is answered {held} times")


# --- restores ------------------------------------------------------------------------------------


WHILE_NOTED = 3
"""Which mark of a restore is for kills while files take the place of others, which is short."""


def marks_of_a_restore(scene: Scene) -> tuple[Mark, ...]:
    """What shows how far it is: begun, unpacking, noted down, and that again, done."""
    folder, note = scene.station.folder, note_path(scene.journal)
    staging, noted = f"{staging_prefix(scene.journal)}*", False

    def done() -> bool:
        nonlocal noted
        noted = noted or note.exists()
        return noted and not note.exists()

    return (
        lambda: True,
        lambda: any(folder.glob(staging)),
        lambda: any(folder.glob(f"{staging}/journal.db")),
        note.exists,
        note.exists,
        done,
    )


def kill_a_restore(scene: Scene, spans_s: list[float]) -> bool:
    """Kill one, let the next start, and look what is measured into; False if it had ended."""
    end_measuring(scene)
    old, old_name = entries_of(scene.journal), Reader(scene.journal).identity()
    with archive.opened(scene.file) as found:
        last = found.manifest.last_seq
    folder, note = scene.station.folder, note_path(scene.journal)
    asides = set(folder.glob("journal.db.replaced-*Z*"))
    died = killed(scene, ("restore", str(scene.file)), marks_of_a_restore(scene), spans_s)
    state = f"restore {'killed' if died else 'ended'}{', note there' if note.exists() else ''}"
    come_next(scene)
    if not measured(scene):
        return died
    now = entries_of(scene.journal)
    scene.publish()
    name = Reader(scene.journal).identity()
    restored = name != old_name
    scene.ends[f"{state}: {'restored' if restored else 'old'} journal"] += 1
    if restored:
        check_restored(scene, now, old, last)
        kept = set(folder.glob("journal.db.replaced-*Z*")) - asides
        whole = [each for each in kept if not each.name.endswith(("-wal", "-shm"))]
        scene.must(
            any(old.items() <= entries_of(each).items() for each in whole),
            f"what was put aside lacks entries: {whole}",
        )
    else:
        scene.must(old.items() <= now.items(), "the old journal lacks entries")
    scene.must(not note.exists(), "a note is left")
    scene.must(not scene.subscriber.doubled, f"given twice: {scene.subscriber.doubled[:5]}")
    missing = [seq for seq, entry in now.items() if scene.subscriber.has.get(seq) != entry]
    scene.must(not missing, f"not published: {missing[:5]}")
    check_cursors(scene, name)
    return died


def end_measuring(scene: Scene) -> None:
    """Stop measuring, or kill it, and publish all that it wrote."""
    if scene.rng.random() < 0.5:
        scene.must(scene.measure.stop() == 0, "measuring did not end as it should")
    else:
        scene.measure.kill()
    scene.publish()


def come_next(scene: Scene) -> None:
    """Start measuring, or the restore again and then measuring, or both at once."""
    who = scene.rng.choice(("measure", "restore", "both"))
    scene.ends[f"then {who}"] += 1
    if who == "measure":
        scene.measure.start()
        return
    process = scene.verb("restore", str(scene.file))
    if who == "both":
        scene.measure.start()
    code = process.wait()
    allowed = (0, 1) if who == "both" else (0,)
    scene.must(code in allowed, f"a restore after the kill ended with {code}")
    if not scene.measure.alive:
        scene.measure.start()


def measured(scene: Scene) -> bool:
    """Wait until something more was measured; start measuring again when a lock kept it out."""
    seen: dict[str, int] = {}

    def goes_on() -> bool:
        if not scene.measure.alive:
            scene.measure.start()
        try:
            name, last = Reader(scene.journal).identity(), Reader(scene.journal).last_seq()
        except JournalError:
            return False
        # A journal that is replaced meanwhile counts from where it is then.
        return scene.measure.alive and last > seen.setdefault(name, last) + 3

    try:
        wait_until(goes_on, "measuring", BACK_S)
    except AssertionError as exc:
        scene.faults.append(f"{exc}: {scene.measure.output_lines[-3:]}")
        return False
    return True


def check_restored(scene: Scene, now: dict[int, Entry], old: dict[int, Entry], last: int) -> None:
    """Look whether a restored journal is the backup whole, with what was measured since."""
    with tempfile.TemporaryDirectory() as place:
        copied = entries_of(unpacked(scene.file, Path(place) / "copy"))
    scene.must(copied.items() <= now.items(), "the restored journal lacks entries of the backup")
    more = {seq: entry for seq, entry in now.items() if seq not in copied}
    told = [seq for seq, entry in more.items() if of_restoring(entry)]
    scene.must(len(told) == 1 and told[0] == min(more), f"it tells {len(told)} times of itself")
    scene.must(min(more) > max(*old, last), "a number was given before")


def of_restoring(entry: Entry) -> bool:
    """Whether an entry tells that the journal was restored."""
    return isinstance(entry, Event) and facts_in(entry).get("state") == RESTORED


def check_cursors(scene: Scene, name: str) -> None:
    """Look whether the cursors are those of the journal that is there."""
    cursors, last = cursors_of(cursors_path(scene.journal)), Reader(scene.journal).last_seq()
    of = {sink.partition("@")[2].partition("/")[0] for sink in cursors}
    scene.must(of == {name}, f"the cursors are of {of}, and the journal is {name}")
    ahead = [seq for seq in cursors.values() if seq > last]
    scene.must(not ahead, f"a cursor is ahead: {ahead}")


def campaign(folder: Path, count: int, seed: int, readings: int = READINGS) -> Scene:
    """Kill so many backups and so many restores; return what was found.

    Args:
        folder: Of the station.
        count: How many are killed of each.
        seed: Of chance.
        readings: Of the earlier life.
    """
    station = Station(folder)
    earlier_life(folder / "journal.db", readings)
    with playing(station, "plain-batch"), measuring(station) as measure:
        scene = Scene(station, measure, random.Random(seed))
        wait_until(lambda: Reader(scene.journal).last_seq() > readings + 10, "readings", BACK_S)
        scene.publish()
        spans_s = learned(scene, ("create", str(scene.file)), marks_of_a_backup(scene))
        killed_so_far = 0
        while killed_so_far < count:
            killed_so_far += kill_a_backup(scene, spans_s)
        scene.must(scene.verb("create", str(scene.file), "--force").wait() == 0, "no backup")
        check_backup(scene)
        scene.must(not [*folder.glob(f"{PREFIX}*")], "a folder of a killed backup is left")
        end_measuring(scene)
        spans_s = learned(scene, ("restore", str(scene.file)), marks_of_a_restore(scene))
        spans_s[WHILE_NOTED] /= 20
        measure.start()
        scene.must(measured(scene), "nothing is measured")
        killed_so_far = 0
        while killed_so_far < count:
            killed_so_far += kill_a_restore(scene, spans_s)
            if scene.rng.random() < 0.3:
                code = scene.verb("create", str(scene.file), "--force").wait()
                scene.must(code == 0, f"a backup ended with {code}")
        scene.must(measure.stop() == 0, "measuring did not end as it should")
        scene.must(prove(scene.journal) == Proof(), f"spoilt: {prove(scene.journal)}")
        log = (folder / "backup.log").read_text() + measure.output.read_text()
        scene.must("Traceback" not in log, "a traceback")
    return scene


def main() -> None:
    """Run the campaign and print what came of it."""
    parser = argparse.ArgumentParser(prog="python -m tests.campaigns.backup_kills")
    parser.add_argument("--count", type=int, default=50)
    parser.add_argument("--seed", type=int, default=1)
    wanted = parser.parse_args()
    begun_s = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        found = campaign(Path(folder), wanted.count, wanted.seed)
    lines = [f"{what}: {many}" for what, many in sorted(found.ends.items())]
    took_s, entries = time.monotonic() - begun_s, len(found.subscriber.has)
    lines.append(
        f"{wanted.count} backups and {wanted.count} restores killed in {took_s:.0f} s; {entries}"
        f" entries published, {found.command_count} commands; {len(found.faults)} faults"
    )
    lines += found.faults[:20]
    sys.stdout.write("\n".join(lines) + "\n")
    sys.exit(1 if found.faults else 0)


if __name__ == "__main__":
    main()
