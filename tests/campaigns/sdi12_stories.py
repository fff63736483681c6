"""Seeded stories of an SDI-12 line on which much goes wrong: is a wrong value ever accepted?

    python -m tests.campaigns.sdi12_stories --count 10000 --seed 1

Two instruments on a line with breaks, at the true speed of characters, and up to fourteen things
that happen to them: replies that are late, cut, of another address, of the request before, with
wrong check characters or none; noise; a second logger; a cable that is pulled.  Each value says
when it was measured.  Ends with 1 where a reading was of two measurements or of another time, or
where an instrument was not read again after all faults were taken away.
"""

from __future__ import annotations

import argparse
import random
import sys
from collections.abc import Sequence

from tests.parts.sdi12_stories import (
    ADDRESSED,
    COMMANDS,
    COUNTED,
    LATE_S,
    SWITCHED,
    Happening,
    play,
)

WITH_CRC = ("MC", "CC", "MC1", "CC2")
WITHOUT = ("M", "C")
MOST = 14
SHOWN = 5


def main(arguments: Sequence[str] | None = None) -> int:
    """Play so many stories, and print what came of them."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--count", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args(arguments)
    readings = faults = 0
    wrong: list[str] = []
    for seed in range(given.seed, given.seed + given.count):
        chance = random.Random(seed)
        word = chance.choice(WITH_CRC + WITHOUT)
        story = [
            (chance.uniform(0.01, 3.0), _happening(chance, word))
            for _ in range(chance.randint(0, MOST))
        ]
        outcome = play(word, story, seed)
        readings, faults = readings + outcome.readings, faults + outcome.faults
        if outcome.wrong:
            wrong.append(f"seed {seed}, {word}: {outcome.wrong}")
    sys.stdout.write(
        f"{given.count} stories: {readings} readings, {faults} faults, {len(wrong)} wrong\n"
    )
    sys.stdout.writelines(f"{each}\n" for each in wrong[:SHOWN])
    return 1 if wrong else 0


def _happening(chance: random.Random, word: str) -> Happening:
    """Return something that may happen; bytes of noise only where check characters find them."""
    kinds: list[Happening] = [
        (chance.choice(COUNTED), chance.randint(1, 8)),
        ("late_s", chance.choice(LATE_S)),
        (chance.choice(SWITCHED), chance.random() < 0.5),
        (chance.choice(ADDRESSED), chance.choice("7 1")),
        ("other", chance.choice(COMMANDS)),
        ("plugged", chance.random() < 0.6),
        ("share", chance.choice((0.0, 0.3, 1.0))),
    ]
    if word in WITH_CRC:
        kinds.append(("noise", chance.randbytes(chance.randint(1, 40))))
    return chance.choice(kinds)


if __name__ == "__main__":
    sys.exit(main())
