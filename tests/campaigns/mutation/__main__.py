"""Changes the program a little and sees whether its tests notice.

    python -m tests.campaigns.mutation [--room mixing|calibration|journal|publishing]
                                       [--sample N --seed S]

Needs `pip install -r tests/campaigns/mutation/requirements.txt`.  Prints each change that nothing
noticed with file and line; those that EXPLAINED.md lists, which change nothing that can be seen,
are marked.  Ends with 0 where at least 85 % of each room were noticed, with 1 otherwise.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from random import Random

from tests.campaigns.copies import Copy, Outcome, copied
from tests.campaigns.mutation.rooms import ROOMS, Room

LACKING = 69
ENOUGH = 0.85
EXPLAINED = Path(__file__).with_name("EXPLAINED.md")

try:
    from tests.campaigns.mutation.cover import CannotMeasureError, Cover, measure
    from tests.campaigns.mutation.mutants import Mutant, mutants
except ModuleNotFoundError as exc:
    print(  # noqa: T201
        f"{exc.name} is not installed: pip install -r tests/campaigns/mutation/requirements.txt"
    )
    sys.exit(LACKING)


def say(text: str) -> None:
    """Print a line at once."""
    print(text, flush=True)  # noqa: T201


def survives(copy: Copy, mutant: Mutant, cover: Cover) -> str:
    """Return why a mutant lives; empty for one that is noticed.

    Tests without end are noticed: a person would see them, too.
    """
    tests = cover.of(mutant)
    if not tests:
        return "no test runs it"
    with copy.changed(mutant.file, mutant.text()):
        run = copy.run(tests, cover.limit_s(tests))
    if run.outcome is Outcome.PASSED:
        return f"{len(tests)} tests pass"
    return ""


def explained(mutant: Mutant, listed: str) -> bool:
    """Say whether the list says of a change that it can change nothing that is seen."""
    wanted = (f"`{mutant.file}`", f"`{mutant.source}`", mutant.change)
    return any(all(part in row for part in wanted) for row in listed.splitlines())


def look(copy: Copy, room: Room, sample: int, seed: int) -> bool:
    """Try the mutants of a room, or a sample; say which live and whether few enough do.

    Raises:
        CannotMeasureError: Its tests fail without any change.
    """
    cover = measure(copy.folder, room.folder, room.tests)
    # The tree itself may change meanwhile.
    root = copy.folder
    known = [each for file in room.modules(root) for each in mutants(root, file)]
    chosen = Random(seed).sample(known, min(sample, len(known))) if sample else known
    listed = EXPLAINED.read_text(encoding="utf-8")
    lives = told = 0
    for mutant in sorted(chosen, key=lambda each: (each.file, each.line)):
        why = survives(copy, mutant, cover)
        if not why:
            continue
        lives, known_one = lives + 1, explained(mutant, listed)
        told += known_one
        mark = "explained" if known_one else "LIVES"
        say(f"{mark:9} {mutant.file}:{mutant.line} {mutant.change} ({why})")
    killed, counted = len(chosen) - lives, len(chosen) - told
    share = killed / counted if counted else 1.0
    say(
        f"{room.name}: {killed} of {counted} noticed ({100.0 * share:.0f} %), {told} more change"
        f" nothing that can be seen; {len(known)} mutants, seed {seed}"
    )
    return share >= ENOUGH


def main() -> int:
    """Look at the rooms that are asked for."""
    parser = argparse.ArgumentParser(prog="python -m tests.campaigns.mutation")
    parser.add_argument("--room", choices=[room.name for room in ROOMS], help="only this one")
    parser.add_argument("--sample", type=int, default=0, help="so many of each; 0 for all")
    parser.add_argument("--seed", type=int, default=1, help="of the sample")
    asked = parser.parse_args()
    rooms = [room for room in ROOMS if asked.room in (None, room.name)]
    enough = True
    with copied() as copy:
        for room in rooms:
            try:
                enough &= look(copy, room, asked.sample, asked.seed)
            except CannotMeasureError as exc:
                say(f"{room.name}: its tests do not pass without any change\n{exc}")
                return 1
    return 0 if enough else 1


if __name__ == "__main__":
    sys.exit(main())
