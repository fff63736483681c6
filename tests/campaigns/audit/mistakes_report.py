"""What came of the mistakes, beside the limits."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

from tests.campaigns.audit.bench import Ending, Stated
from tests.campaigns.audit.mistakes import (
    WRONG_PPT,
    Attempt,
    Change,
    Mistake,
    change,
    first,
    run,
    run_sound,
)
from tests.campaigns.audit.report import Report, share
from tests.campaigns.audit.workers import each

SOUND_LIMIT = 0.05
"""Of right calibrations against a sound history that are held or refused."""
SETTLED_LIMIT = 0.95
"""Of right calibrations on hold that a check in a telling lot brings into force.

Less than all: noise puts a check that agrees narrowly beyond its limit the next time."""
SECOND_PART = 5
"""Of the mistakes, one in so many is made for the first calibration and for true changes."""

First = tuple[float, Ending, Stated]


def report(count: int, seed: int, workers: int = 1) -> Report:
    """Make mistakes, as many sound calibrations, and some of what else there is to show."""
    found, few = Report(), max(count // SECOND_PART, 1)
    _mistakes(found, run(count, seed, workers))
    _sound(found, run_sound(count, seed, workers))
    _changes(found, each(partial(change, seed), few, workers))
    _first(found, each(partial(first, seed), few, workers))
    return found


def bad(attempts: Sequence[Attempt]) -> list[Attempt]:
    """Return the mistakes that are in force and wrong, at once or after a check in a good lot."""
    return [each for each in attempts if each.bad(each.after) or each.bad(each.later)]


def stopped(attempts: Sequence[Attempt]) -> list[Attempt]:
    """Return the attempts that are not in force at once."""
    return [each for each in attempts if not each.in_force(each.after)]


def _mistakes(found: Report, attempts: Sequence[Attempt]) -> None:
    for what in Mistake:
        own = [each for each in attempts if each.what == what]
        named = sum("compensat" in " ".join(each.warnings) for each in own)
        compensates = f", named {named}" if what is Mistake.COMPENSATING else ""
        outcomes = ", ".join(
            f"{outcome} {sum(each.outcome == outcome for each in own)}"
            for outcome in sorted({each.outcome for each in own})
        )
        found.add(f"{what}: bad", f"{share(len(bad(own)), len(own))}: {outcomes}{compensates}")
    wrong = bad(attempts)
    found.hold("bad calibrations in force", share(len(wrong), len(attempts)), kept=not wrong)
    unseen = sum(each.en <= 1.0 for each in wrong)
    found.add("  of these, no further from the history than both state (E_n up to 1)", f"{unseen}")
    late = sum(each.bad(each.later) and not each.bad(each.after) for each in attempts)
    found.add("  of these, only after a check in a good bottle of another lot", f"{late}")


def _sound(found: Report, attempts: Sequence[Attempt]) -> None:
    held = stopped(attempts)
    found.hold(
        "right calibrations held or refused",
        share(len(held), len(attempts)),
        kept=len(held) <= SOUND_LIMIT * len(attempts),
    )
    settled = sum(each.in_force(each.later) for each in held)
    found.add("  of these, in force after a check in another lot", share(settled, len(held)))
    wrong = len(bad(attempts))
    found.hold("right calibrations in force and wrong", share(wrong, len(attempts)), kept=not wrong)


def on_hold(changes: Sequence[Change]) -> list[Change]:
    """Return the right calibrations of changed probes that are on hold."""
    return [each for each in changes if each.outcome == "hold"]


def telling(changes: Sequence[Change]) -> list[Change]:
    """Return those on hold whose other lot agrees with them and not with the one in force."""
    return [each for each in on_hold(changes) if each.agrees and each.contradicts]


def _changes(found: Report, changes: Sequence[Change]) -> None:
    held, told = on_hold(changes), telling(changes)
    found.add("probes that truly changed: calibration on hold", share(len(held), len(changes)))
    both = sum(each.agrees and not each.contradicts for each in held)
    found.add("  a second lot agrees with both, so that it stays on hold", f"{both}")
    checked = sum(each.checked == each.id for each in told)
    repaired = sum(each.repaired == each.id for each in held)
    found.hold(
        "  a second lot agrees with it and not with the other: in force",
        share(checked, len(told)),
        kept=bool(told) and checked >= SETTLED_LIMIT * len(told),
    )
    every = bool(held) and repaired == len(held)
    found.hold("  in force after a repair is named", share(repaired, len(held)), kept=every)


def _first(found: Report, firsts: Sequence[First]) -> None:
    wrong = [
        size
        for size, _, stated in firsts
        if stated.calibration and abs(stated.error) > WRONG_PPT and not stated.inside
    ]
    figure = share(len(wrong), len(firsts))
    found.add("nothing can tell: first calibration in one wrong solution, bad", figure)
    found.add("  solutions off by, %", ", ".join(f"{100.0 * size:+.1f}" for size in wrong[:20]))
