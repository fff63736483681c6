"""Kills of publishing at random moments of many batches, and what real receivers hold then.

    python -m tests.campaigns.messages --kills 200 --seed 1

A mail server and two HTTP servers on loopback, the real publishing process, and a journal into
which batches of every kind are written while publishing is killed by SIGKILL again and again: at
random moments, and as often in the moment in which a receiver has just taken a message.  Time runs
faster; in the quiet hours of the night some receivers get nothing that can wait.  In the end each
receiver must hold every message that its line selects, none that is not true, and none twice but
the one that was on its way at a kill.  Ends with 1 if that is not so.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from tests.campaigns.messages_scene import ON_ITS_WAY, QUIET_H, Arrival, Receiver, Scene, staged
from tests.campaigns.messages_stories import STORIES, undecided


@dataclass(frozen=True)
class Verdict:
    """What receivers hold, beside what they should.

    Attributes:
        kills: Of publishing.
        expected: Messages that were to come, over all receivers, by kind.
        missing: Those that did not come: receiver, kind and number.
        untrue: What came and must not: receiver and number.
        twice: What came again although it was not on its way at a kill: receiver and number.
        at_kills: How often the message that was on its way at a kill came again.
        disturbing: What came in quiet hours and can wait: receiver, kind and number.
    """

    kills: int
    expected: Counter[str]
    missing: list[str]
    untrue: list[str]
    twice: list[str]
    at_kills: int
    disturbing: list[str]

    @property
    def good(self) -> bool:
        """Whether everybody holds what they should."""
        return not (self.missing or self.untrue or self.twice or self.disturbing)


def judge(scene: Scene) -> Verdict:
    """Compare what came with what was to come."""
    expected: Counter[str] = Counter()
    missing, untrue, twice, disturbing = [], [], [], []
    at_kills = 0
    for receiver in scene.receivers:
        for number, kind in scene.expected.items():
            wanted = kind in receiver.kinds
            expected[kind] += wanted
            if wanted and not receiver.has(number):
                missing.append(f"{receiver.name}: {kind} {number}")
            if not wanted and receiver.has(number):
                untrue.append(f"{receiver.name}: {kind} {number} is not selected")
        untrue += [f"{receiver.name}: {each}" for each in scene.forbidden if receiver.has(each)]
        again, wrong = repeats(receiver.arrivals, {*scene.expected})
        at_kills += again
        twice += [f"{receiver.name}: {scene.expected[each]} {each}" for each in wrong]
        disturbing += [f"{receiver.name}: {each}" for each in disturbances(receiver, scene)]
    return Verdict(scene.kills, expected, missing, untrue, twice, at_kills, disturbing)


def repeats(arrivals: Sequence[Arrival], numbers: set[int]) -> tuple[int, list[int]]:
    """How often the last message of a life came again, and what else came twice."""
    last_of_life = {each.life: each for each in arrivals}
    again, wrong = set(), []
    for number in numbers:
        holding = [each for each in arrivals if number in each.numbers]
        for first, second in pairwise(holding):
            if last_of_life[first.life] is first and second.life > first.life:
                again.add(first.life)
            else:
                wrong.append(number)
    return len(again), wrong


def disturbances(receiver: Receiver, scene: Scene) -> Iterator[str]:
    """What came in the quiet hours and can wait."""
    waits = ("released", "released again", "due", "ageing")
    for each in receiver.arrivals if receiver.quiet else []:
        night = each.at.replace(hour=QUIET_H[0], minute=0, second=0, microsecond=0)
        if night + ON_ITS_WAY <= each.at < night.replace(hour=QUIET_H[1]):
            yield from (
                f"{scene.expected[number]} {number} at {each.at:%H:%M}"
                for number in each.numbers
                if scene.expected.get(number) in waits
            )


def campaign(folder: Path, kills: int, seed: int) -> Verdict:
    """Kill publishing so often while batches go on; return what the receivers hold in the end."""
    with staged(folder, seed) as scene:
        killer = threading.Thread(target=scene.kill_at_random, args=(kills,))
        killer.start()
        try:
            play(scene, killer)
        finally:
            scene.ended.set()
            killer.join()
        undecided(scene)  # each receiver gets of it, after whatever was still to come
        if scene.process.alive:
            scene.process.stop()
        return judge(scene)


def play(scene: Scene, killer: threading.Thread) -> None:
    """Play every story once, in any order, and again as long as there are kills."""
    first = True
    while first or killer.is_alive():
        stories = [*STORIES]
        scene.rng.shuffle(stories)
        for story in stories:
            if first or killer.is_alive():
                story(scene)
        first = False


def main() -> None:
    """Run a campaign and print what came of it."""
    parser = argparse.ArgumentParser(prog="python -m tests.campaigns.messages")
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    wanted = parser.parse_args()
    begun_s = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        found = campaign(Path(folder), wanted.kills, wanted.seed)
    kinds = ", ".join(f"{count} {kind}" for kind, count in sorted(found.expected.items()))
    sys.stdout.write(
        f"publishing killed {found.kills} times in {time.monotonic() - begun_s:.0f} s:"
        f" {found.expected.total()} messages to come ({kinds}),"
        f" {len(found.missing)} missing {found.missing[:5]},"
        f" {len(found.untrue)} untrue {found.untrue[:5]},"
        f" {len(found.twice)} twice {found.twice[:5]},"
        f" {found.at_kills} again that were on their way at a kill,"
        f" {len(found.disturbing)} in quiet hours {found.disturbing[:5]}\n"
    )
    sys.exit(0 if found.good else 1)


if __name__ == "__main__":
    main()
