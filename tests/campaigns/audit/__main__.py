"""The whole audit, or parts of it.

    python -m tests.campaigns.audit --calibrations 1000 --mistakes 500 --batches 2000 --looks 200

Exit 0, or 1 where a limit is not kept.  A part of which none are asked for is left out.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable

from tests.campaigns.audit import batches_report, calibrations, mistakes_report
from tests.campaigns.audit.chance import Shape
from tests.campaigns.audit.report import Report

PARTS = ("calibrations", "mistakes", "batches", "looks")
COUNTS = (1000, 500, 2000, 200)


def arguments() -> argparse.Namespace:
    """Read what is asked for."""
    parser = argparse.ArgumentParser(prog="tests.campaigns.audit", description=__doc__)
    for part, count in zip(PARTS, COUNTS, strict=True):
        parser.add_argument(f"--{part}", type=int, default=count, help="how many; 0 for none")
    parser.add_argument("--part", choices=PARTS, action="append", help="only this; repeatable")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=1, help="processes")
    parser.add_argument(
        "--shape", choices=[*Shape], type=Shape, default=Shape.NORMAL, help="of calibration errors"
    )
    return parser.parse_args()


def _parts(asked: argparse.Namespace) -> dict[str, Callable[[], Report]]:
    seed, workers = asked.seed, asked.workers
    return {
        "calibrations": lambda: calibrations.report(
            calibrations.run(asked.calibrations, seed, asked.shape, workers)
        ),
        "mistakes": lambda: mistakes_report.report(asked.mistakes, seed, workers),
        "batches": lambda: batches_report.report_batches(asked.batches, seed, workers),
        "looks": lambda: batches_report.report_looks(asked.looks, seed, workers),
    }


def main() -> int:
    """Run what is asked for; 0 where every limit is kept."""
    asked = arguments()
    failures: list[str] = []
    for name, work in _parts(asked).items():
        count = getattr(asked, name)
        if count < 1 or (asked.part and name not in asked.part):
            continue
        began = time.monotonic()
        found = work()
        taken = time.monotonic() - began
        sys.stdout.write(found.text(f"{name}: {count}, {taken:.0f} s") + "\n")
        sys.stdout.flush()
        failures += [f"{name}: {failure}" for failure in found.failures]
    sys.stdout.write("\n".join([*(f"NOT KEPT {each}" for each in failures), ""]))
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
