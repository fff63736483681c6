"""Hostile bytes for every parser: no exception escapes, and no value that is not proven.

    python -m pip install -r tests/campaigns/parsers/requirements.txt
    python -m tests.campaigns.parsers --inputs 1000000 --seed 1

One fifth of the inputs come from hypothesis, which also shrinks what it finds, and the rest from a
fuzzer that follows which branches of `daemon.wire` they take.  `--only hypothesis` does without
the fuzzer.  Exit 1 where a rule is broken, with the input.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.campaigns.parsers.hostile import play
from tests.campaigns.parsers.targets import TARGETS

HYPOTHESIS_SHARE = 0.2


def main() -> int:
    """Run the campaign."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--inputs", type=int, default=1_000_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", choices=["hypothesis"])
    options = parser.parse_args()
    share = 1.0 if options.only else HYPOTHESIS_SHARE
    each = options.inputs / len(TARGETS)
    print(f"{'parser':18} {'by':12} {'inputs':>9} {'values':>8} {'seconds':>8}")  # noqa: T201
    broken = whole = 0
    for name, target in TARGETS.items():
        began_s = time.monotonic()
        tried, accepted = play(target, round(each * share), options.seed)
        _say(name, "hypothesis", tried, accepted, began_s)
        whole += tried
        if options.only:
            continue
        began_s = time.monotonic()
        tried, accepted, sound = _guided(name, round(each) - tried, options.seed)
        _say(name, "coverage", tried, accepted, began_s)
        whole += tried
        broken += not sound
    print(f"{whole} inputs, {broken} parsers broken")  # noqa: T201
    return 1 if broken else 0


def _guided(name: str, count: int, seed: int) -> tuple[int, int, bool]:
    with tempfile.TemporaryDirectory() as folder:
        corpus = Path(folder) / "corpus"
        corpus.mkdir()
        command = [sys.executable, "-m", "tests.campaigns.parsers.guided"]
        done = subprocess.run(
            [*command, name, str(count), str(seed), str(corpus)],
            check=False,
            capture_output=True,
            text=True,
            cwd=Path(__file__).parents[3],
        )
        found = corpus.with_suffix(".found")
        words = found.read_text(encoding="ascii").split() if found.exists() else ["0", "0"]
        sound = done.returncode == 0 and int(words[0]) >= count
        if not sound:
            print(done.stdout[-2000:], done.stderr[-4000:], sep="\n", file=sys.stderr)  # noqa: T201
        return int(words[0]), int(words[1]), sound


def _say(name: str, by: str, tried: int, accepted: int, began_s: float) -> None:
    took_s = time.monotonic() - began_s
    print(f"{name:18} {by:12} {tried:9} {accepted:8} {took_s:8.1f}", flush=True)  # noqa: T201


if __name__ == "__main__":
    sys.exit(main())
