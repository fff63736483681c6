"""Run the campaign and print its table, or tell one story with the truth beside it."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor

from tests.campaigns import hands
from tests.campaigns.hands.marks import Marks
from tests.campaigns.hands.story_log import StoryLog
from tests.campaigns.hands.tables import missed, table
from tests.campaigns.hands.things import ORDINARY, STORIES, play


def _play(task: tuple[str, int, int]) -> tuple[str, Marks]:
    thing, number, seed = task
    return thing, play(thing, number, seed)


def campaign(
    things: Sequence[str], draws: int, ordinary: int, seed: int, workers: int = 1
) -> Iterator[tuple[str, Marks]]:
    """Yield the name and the counts of each story."""
    tasks = [
        (thing, number, seed)
        for thing in things
        for number in range(ordinary if thing == ORDINARY else draws)
    ]
    if workers == 1:
        yield from map(_play, tasks)
        return
    with ProcessPoolExecutor(workers) as pool:
        yield from pool.map(_play, tasks, chunksize=2)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run what is asked for."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.campaigns.hands", description=hands.__doc__
    )
    parser.add_argument("--only", action="append", choices=[*STORIES], metavar="THING")
    parser.add_argument("--draws", type=int, default=40, metavar="N", help="of each thing [40]")
    parser.add_argument("--ordinary", type=int, default=100, metavar="N", help="batches [100]")
    parser.add_argument("--seed", type=int, default=1, metavar="S", help="of everything [1]")
    parser.add_argument("--workers", type=int, default=1, metavar="N", help="processes [1]")
    parser.add_argument("--quiet", action="store_true", help="leave out what went wrong")
    parser.add_argument("--show", choices=[*STORIES], metavar="THING", help="tell one story")
    parser.add_argument("--number", type=int, default=0, metavar="N", help="draw to tell [0]")
    asked = parser.parse_args(arguments)
    if asked.show:
        play(asked.show, asked.number, asked.seed, StoryLog(sys.stdout.write))
        return 0
    sums = {thing: Marks() for thing in asked.only or STORIES}
    for thing, marks in campaign([*sums], asked.draws, asked.ordinary, asked.seed, asked.workers):
        sums[thing].add(marks)
        if not asked.quiet:
            sys.stdout.write("".join(f"{each}\n" for each in marks.faults))
            sys.stdout.flush()
    sys.stdout.write(table(sums))
    wrong = missed(sums)
    sys.stdout.write("".join(f"MISSED {each}\n" for each in wrong))
    return int(bool(wrong))


if __name__ == "__main__":
    sys.exit(main())
