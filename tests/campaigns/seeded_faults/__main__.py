"""Puts back faults that tests once let live: `python -m tests.campaigns.seeded_faults`.

Ends with 0 where the tests notice each of them, with 1 where one lives, or where the program has
changed so that a fault cannot be put in any more.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter

from tests.campaigns.copies import copied
from tests.campaigns.seeded_faults.faults import FAULTS
from tests.campaigns.seeded_faults.replay import CannotTellError, Case, Verdict, replay


def print_case(case: Case) -> None:
    """Print what became of a fault."""
    why = f"\n    {case.why}" if case.why else ""
    print(f"{case.verdict:20} {case.fault.name} ({case.fault.file}){why}", flush=True)  # noqa: T201


def main() -> int:
    """Try all faults, or those whose name holds a word."""
    parser = argparse.ArgumentParser(prog="python -m tests.campaigns.seeded_faults")
    parser.add_argument("word", nargs="?", default="", help="only faults whose name or file has it")
    word = parser.parse_args().word
    faults = [each for each in FAULTS if word in each.name or word in each.file]
    if not faults:
        print(f"no fault has {word!r} in its name or file")  # noqa: T201
        return 1
    with copied() as copy:
        try:
            cases = replay(copy, faults, print_case)
        except CannotTellError as exc:
            print(exc)  # noqa: T201
            return 1
    counts = Counter(case.verdict for case in cases)
    summary = ", ".join(f"{counts[each]} {each}" for each in Verdict)
    print(f"{len(cases)} faults: {summary}")  # noqa: T201
    return 0 if counts[Verdict.CAUGHT] == len(cases) else 1


if __name__ == "__main__":
    sys.exit(main())
