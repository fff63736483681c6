"""Many seeded batches, from the plan to the verdict and its correction, checked against the truth.

    python -m tests.campaigns.releases --count 500 --seed 1

Volume, target, tolerance, probe, scale, salt, heel, kinetics, pump and noise are drawn for
each batch.  The probe is off by a cell factor and a thermometer offset drawn from the uncertainty
that the station has of it, so that a verdict with the stated confidence is really put to the
proof.  Each batch that is not released at once is corrected once, by the advice.  A second part
mixes some batches of each of several lots, and looks where the plan lands once it has learned.

Exit 0, or 1 when a limit is not kept.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from statistics import median

from daemon.entries import Phase
from tests.campaigns.release_draws import (
    BATCHES_PER_LOT,
    WELL_INSIDE_K,
    Corner,
    Found,
    draw,
)

RELEASED_OUT_LIMIT, REFUSED_LIMIT, CORRECTED_LIMIT, LANDED_PPT = 0.01, 0.03, 0.97, 0.3


def campaign(count: int, seed: int, lie: float = 1.0) -> Iterator[Found]:
    """Yield the outcome of each batch; the arguments are those of `draw`."""
    for number in range(count):
        corner = Corner(draw(seed, number, lie=lie))
        corner.fill()
        yield corner.mix()


def lot_campaign(count: int, seed: int) -> Iterator[list[float]]:
    """Yield for each lot how far each of its batches landed from target before any correction."""
    for number in range(count):
        drawn = replace(draw(seed, number, "lot"), heel=0.0, tells=True)
        corner = Corner(drawn)
        landed = []
        for _ in range(BATCHES_PER_LOT):
            corner.fill()
            found = corner.mix()
            landed.append(found.first_true - found.target)
            corner.room.say("batch.use" if found.last is Phase.READY else "batch.discard")
            corner.room.draw_down_to(0.0, rate=corner.fill_l / 300.0)
            corner.room.night(24.0 * (len(landed)))
        yield landed


@dataclass(frozen=True, slots=True)
class Sums:
    """What the batches of a campaign come to.

    Attributes:
        batches: How many.
        releases: How many releases.
        released_out: Of these, truly outside tolerance.
        well_inside: Verdicts on water that was truly well inside.
        well_refused: Of these, refused.
        well_open: Of these, left undecided or without a verdict.
        inside: Verdicts on water truly within the acceptance interval.
        inside_refused: Of these, refused.
        inside_open: Of these, left undecided or without a verdict.
        corrected: Batches that were corrected.
        corrected_inside: Of these, truly within tolerance afterwards.
        corrected_released: Of these, released afterwards.
        without_verdict: Batches that were still dissolving after hours.
    """

    batches: int
    releases: int
    released_out: int
    well_inside: int
    well_refused: int
    well_open: int
    inside: int
    inside_refused: int
    inside_open: int
    corrected: int
    corrected_inside: int
    corrected_released: int
    without_verdict: int


def sums(found: Sequence[Found]) -> Sums:
    """Count."""
    released = [(abs(true - e.target), e.tolerance) for e in found for true in e.released]
    well = _within(found, WELL_INSIDE_K)
    inside = _within(found, 0.0)
    corrected = [each for each in found if each.corrected]
    return Sums(
        batches=len(found),
        releases=len(released),
        released_out=sum(away > tolerance for away, tolerance in released),
        well_inside=len(well),
        well_refused=well.count(Phase.OFF_TARGET),
        well_open=len(well) - well.count(Phase.OFF_TARGET) - well.count(Phase.READY),
        inside=len(inside),
        inside_refused=inside.count(Phase.OFF_TARGET),
        inside_open=len(inside) - inside.count(Phase.OFF_TARGET) - inside.count(Phase.READY),
        corrected=len(corrected),
        corrected_inside=sum(abs(e.true - e.target) <= e.tolerance for e in corrected),
        corrected_released=sum(e.last is Phase.READY for e in corrected),
        without_verdict=sum(e.first is Phase.DISSOLVING for e in found),
    )


def _within(found: Sequence[Found], k: float) -> list[Phase]:
    """Return the verdicts on water that was inside with `k` uncertainties to spare."""
    return [phase for e in found for away, phase in e.verdicts() if away <= e.sure(k)]


def learned_ppt(landed: Sequence[Sequence[float]]) -> float:
    """Return the median distance from target of the last batch of each lot."""
    return median(abs(each[-1]) for each in landed)


def table(all_of: Sums, landed: Sequence[Sequence[float]]) -> str:
    """Return what was counted, each line with its limit."""
    s = all_of

    def line(what: str, part: int, whole: int, limit: str = "") -> str:
        share = 100.0 * part / whole if whole else 0.0
        return f"{what:<58}{part:>5} of {whole:<5}{share:>6.1f} %  {limit}"

    lines = [
        line("released, truly outside tolerance", s.released_out, s.releases, "at most 1 %"),
        line(
            f"truly well inside (by {WELL_INSIDE_K:g} u), refused or undecided",
            s.well_refused + s.well_open,
            s.well_inside,
            "at most 3 %",
        ),
        line("  of these refused", s.well_refused, s.well_inside),
        line(
            "truly in the acceptance interval, refused", s.inside_refused, s.inside, "at most 3 %"
        ),
        line("  or left undecided", s.inside_open, s.inside),
        line("after one correction truly inside", s.corrected_inside, s.corrected, "at least 97 %"),
        line("  and released", s.corrected_released, s.corrected),
        line("no verdict within four hours", s.without_verdict, s.batches),
    ]
    for number in range(BATCHES_PER_LOT if landed else 0):
        away = median(abs(each[number]) for each in landed)
        limit = f"at most {LANDED_PPT:g}" if number == BATCHES_PER_LOT - 1 else ""
        what = f"batch {number + 1} of a lot lands off target by (median of {len(landed)})"
        lines.append(f"{what:<58}{away:>9.3f} ppt        {limit}")
    return "\n".join(lines)


def kept(all_of: Sums, landed: Sequence[Sequence[float]]) -> bool:
    """Say whether every limit is kept."""
    s = all_of
    return (
        s.released_out <= RELEASED_OUT_LIMIT * s.releases
        and s.well_refused + s.well_open <= REFUSED_LIMIT * s.well_inside
        and s.inside_refused <= REFUSED_LIMIT * s.inside
        and s.corrected_inside >= CORRECTED_LIMIT * s.corrected
        and (not landed or learned_ppt(landed) <= LANDED_PPT)
    )


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the campaign and print its table."""
    parser = argparse.ArgumentParser(prog="python -m tests.campaigns.releases", description=__doc__)
    parser.add_argument("--count", type=int, default=500, metavar="N", help="batches [500]")
    parser.add_argument("--lots", type=int, default=40, metavar="N", help="lots [40]")
    parser.add_argument("--seed", type=int, default=1, metavar="S", help="of everything [1]")
    parser.add_argument("--verbose", action="store_true", help="print each batch that went wrong")
    asked = parser.parse_args(arguments)
    found = []
    for number, each in enumerate(campaign(asked.count, asked.seed)):
        found.append(each)
        wrong = any(abs(true - each.target) > each.tolerance for true in each.released)
        refused = any(
            away <= each.sure(WELL_INSIDE_K) and phase is not Phase.READY
            for away, phase in each.verdicts()
        )
        if asked.verbose and (wrong or refused):
            sys.stdout.write(f"batch {number}: {each}\n")
    landed = list(lot_campaign(asked.lots, asked.seed))
    sys.stdout.write(table(sums(found), landed) + "\n")
    return int(not kept(sums(found), landed))


if __name__ == "__main__":
    sys.exit(main())
