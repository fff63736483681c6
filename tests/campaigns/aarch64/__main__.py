"""Proves the locks and the replay for 64-bit ARM, as of a Raspberry Pi, on another machine.

    python -m tests.campaigns.aarch64
    python -m tests.campaigns.aarch64 --wheels-only

Resolves both lock files for the Pythons of Debian 12 and 13; replays recordings here and, with
those packages, in a userland of each release under emulation, and compares all that was printed
byte for byte.  Numbers that are printed unrounded, of readings and answers, may differ by 1e-9.
Needs the network and apt, and as root installs the emulator.  Everything is in a temporary
folder, which goes.  Exit 0, 1 where something differs, 69 where something is not there.
"""

from __future__ import annotations

import argparse
import platform
import signal
import sys
import tempfile
import time
from pathlib import Path

from simulators.scenarios import SCENARIOS
from tests.campaigns.aarch64 import recordings, replays, userland, wheels
from tests.campaigns.aarch64.systems import SYSTEMS, lacking
from tests.campaigns.aarch64.userland import Userland


def say(text: str) -> None:
    """Print a line at once."""
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()


def resolve(folder: Path) -> list[str]:
    """Install both locks for each system; return what lacks."""
    faults = []
    for system in SYSTEMS:
        for lock in wheels.LOCKS:
            began = time.monotonic()
            target = folder / system.codename / Path(lock).stem
            try:
                lacks = wheels.install(system, wheels.ROOT / lock, target)
            except wheels.IndexUnreachable as exc:
                lacking(str(exc))
            count = len(list(target.glob("*.dist-info")))
            took = f"{time.monotonic() - began:.0f} s"
            where = f"{system.name}, Python {system.python}, glibc 2.{system.glibc_minor}"
            say(f"{lock}: {where}: {'; '.join(lacks) or f'{count} packages have wheels'} ({took})")
            faults += lacks
    return faults


def prepare(folder: Path) -> list[Userland]:
    """Make a userland of each system beside its packages."""
    emulator = userland.find_emulator()
    made = []
    for system in SYSTEMS:
        place = folder / system.codename
        root = userland.unpack(system, place)
        made.append(Userland(system, root, emulator, place / Path(wheels.LOCKS[0]).stem))
    return made


def compare(recording: Path, userlands: list[Userland]) -> list[str]:
    """Replay a recording here and in each userland; return what differs."""
    faults = []
    journal = recording.with_suffix(".here.db")
    here = replays.replay(recording, journal)
    ours = replays.readings(journal)
    if not here.out or not ours:
        faults.append(f"{recording.stem}: no event or no reading, so there is nothing to compare")
    say(f"{recording.stem}: {len(here.out.splitlines())} events, {len(ours)} readings here")
    say(f"  {here.checksum}  here, {platform.machine()}, Python {platform.python_version()}")
    for each in userlands:
        theirs = recording.with_suffix(f".{each.system.codename}.db")
        there = replays.replay(recording, theirs, each)
        say(f"  {there.checksum}  {each.system.name}, aarch64, Python {each.system.python}")
        difference = replays.first_difference(here, there)
        apart = replays.largest_difference(ours, replays.readings(theirs))
        say(f"  readings differ by {apart:.1g} at most")
        if difference:
            faults.append(f"{recording.stem}, {each.system.name}: {difference}")
        if apart > replays.CLOSE:
            faults.append(f"{recording.stem}, {each.system.name}: readings differ by {apart:.1g}")
    return faults


def compare_answers(userlands: list[Userland]) -> list[str]:
    """Ask for conversions and doses here and in each userland; return what differs."""
    faults = []
    for line in replays.ANSWERS:
        here = replays.run(line.split())
        for each in userlands:
            there = replays.run(line.split(), each)
            pair = here.out.decode().splitlines(), there.out.decode().splitlines()
            apart = replays.largest_difference(*pair)
            say(f"{line}: {each.system.name} differs by {apart:.1g}")
            if apart > replays.CLOSE or (here.code, there.code) != (0, 0):
                faults.append(
                    f"{line}, {each.system.name}: {replays.first_difference(here, there)}"
                )
    return faults


def main() -> int:
    """Run what is asked for; 0 where all is the same."""
    parser = argparse.ArgumentParser(prog="tests.campaigns.aarch64", description=__doc__)
    parser.add_argument("--wheels-only", action="store_true", help="replay nothing")
    stories = [*SCENARIOS, recordings.ODD]
    parser.add_argument("--story", action="append", choices=stories, help="only this; repeatable")
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    # Ended from outside, it leaves no folder behind either.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(128 + signal.SIGTERM))
    began = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="aarch64-") as name:
        folder = Path(name)
        faults = resolve(folder)
        if not faults and not asked.wheels_only:
            userlands = prepare(folder)
            say(f"userlands of {', '.join(each.name for each in SYSTEMS)} unpacked")
            for story in asked.story or (*recordings.STORIES, recordings.ODD):
                faults += compare(recordings.write(story, asked.seed, folder), userlands)
            faults += compare_answers(userlands)
    for fault in faults:
        say(f"DIFFERS: {fault}")
    say(
        f"{len(faults)} faults; {time.monotonic() - began:.0f} s in all, no measure of a real board"
    )
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
