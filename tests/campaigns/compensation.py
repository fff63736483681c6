"""Error rates of the guided test for compensation, by instruments drawn by chance.

    python -m tests.campaigns.compensation [DRAWS]

prints how many verdicts were right, wrong and left open, and how far the coefficients were off.
"""

from __future__ import annotations

import sys
from collections import Counter
from random import Random

from daemon.mixing.probe.temperature_response import Response
from tests.parts.warming import drawn, run_warming_test


def main(draws: int) -> None:
    """Print the table."""
    counts: Counter[tuple[str, str, str]] = Counter()
    errors: list[float] = []
    inside = 0
    for seed in range(draws):
        subject = drawn(Random(seed))
        _, verdict = run_warming_test(subject, seed)
        percent = subject.character.compensation_percent_per_C
        truth = "raw" if percent is None else "compensated"
        bubble = "bubble" if subject.bubble_share else "clean"
        counts[truth, bubble, verdict.response.value] += 1
        if verdict.response is Response.UNDECIDED or bubble == "bubble":
            continue
        error = abs((verdict.percent_per_C or 0.0) - (percent or 0.0))
        errors.append(error)
        inside += error <= 2.0 * (verdict.u_percent_per_C or 0.0)
    lines = ["truth        cell    verdict           count"]
    for (truth, bubble, response), count in sorted(counts.items()):
        lines.append(f"{truth:12} {bubble:7} {response:17} {count:5}")
    errors.sort()
    lines.append(
        f"coefficient, clean cell: half within {errors[len(errors) // 2]:.3f}, 99 % within"
        f" {errors[int(len(errors) * 0.99)]:.3f} % per °C; {inside / len(errors):.1%} within ±"
    )
    sys.stdout.write("\n".join(lines) + "\n")


if __name__ == "__main__":
    main(int(sys.argv[1]) if sys.argv[1:] else 2000)
