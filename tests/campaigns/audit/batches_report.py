"""What came of the batches, beside the limits."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from daemon.entries import Phase
from tests.campaigns.audit import batches, looks
from tests.campaigns.audit.batches import EVERYWHERE, GAPS_AT_CALL, Batch
from tests.campaigns.audit.report import Report, share
from tests.campaigns.audit.watch import MIXING

RELEASED_OUT_LIMIT = 0.01
CORRECTED_LIMIT = 0.99
EVER_LIMIT = 0.05
"""Of water at a limit, what may ever be released: one less the confidence stated."""


def report(found: Sequence[Batch], wide: Sequence[int]) -> Report:
    """Hold batches against the limits.

    Args:
        found: Of probes that are worth what is usual.
        wide: Calls without proof of each batch under a probe that is worth little.
    """
    told = Report()
    _released(told, found)
    unproven = sum(each.unproven for each in found)
    name = "called outside without proof"
    told.hold(name, share(unproven, len(found)), kept=not unproven)
    told.hold(f"{name}, a probe worth little", share(sum(wide), len(wide)), kept=not sum(wide))
    well = [each for each in found if each.well_inside]
    missed = sum(each.first is not Phase.READY for each in well)
    told.hold("well inside and not released", share(missed, len(well)), kept=not missed)
    _corrected(told, found)
    return told


def wrongly(found: Sequence[Batch]) -> tuple[int, int]:
    """Return how many releases were of water truly outside, and of how many."""
    releases = [each for batch in found for each in batch.releases]
    return releases.count(False), len(releases)


def corrected(found: Sequence[Batch]) -> tuple[int, int]:
    """Return how many corrected batches are truly inside, and of how many."""
    made = [each for each in found if each.corrected is not None]
    return sum(each.corrected_inside for each in made), len(made)


def _released(told: Report, found: Sequence[Batch]) -> None:
    first = Counter(str(each.first) for each in found)
    told.add("first verdicts", ", ".join(f"{name} {n}" for name, n in sorted(first.items())))
    out, releases = wrongly(found)
    told.hold(
        "released and truly outside",
        share(out, releases),
        kept=releases > 0 and out <= RELEASED_OUT_LIMIT * releases,
    )
    for gaps in (EVERYWHERE, *GAPS_AT_CALL):
        own = [each for each in found if each.gaps == gaps]
        told.add(f"  replies missing: {gaps}", share(*wrongly(own)))
    at_call = wrongly([each for each in found if each.gaps != EVERYWHERE])
    told.hold(
        "released and truly outside, replies missing at the call",
        share(*at_call),
        kept=at_call[0] <= RELEASED_OUT_LIMIT * at_call[1],
    )


def _corrected(told: Report, found: Sequence[Batch]) -> None:
    good, made = corrected(found)
    told.hold(
        "truly inside after one correction by the advice",
        share(good, made),
        kept=made > 0 and good >= CORRECTED_LIMIT * made,
    )
    left = sum(each.corrected is None and each.first is not Phase.READY for each in found)
    told.add("not released, and no advice of an amount", share(left, len(found)))
    unheard = sum(each.first in MIXING for each in found)
    told.add("  of these, salinity never called steady within 3 h", f"{unheard}")


def report_looks(count: int, seed: int, workers: int = 1) -> Report:
    """Watch water at a limit for half a day."""
    told = Report()
    ever = looks.run(count, seed, workers)
    told.hold(
        "water at a limit, judged each minute for 12 h, ever released",
        share(sum(ever), len(ever)),
        kept=sum(ever) <= EVER_LIMIT * len(ever),
    )
    return told


def report_batches(count: int, seed: int, workers: int = 1) -> Report:
    """Mix batches, and one in twenty more under a probe that is worth little."""
    few = max(count // 20, 1)
    return report(batches.run(count, seed, workers), batches.run_wide(few, seed, workers))
