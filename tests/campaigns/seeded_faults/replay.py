"""Puts faults into a copy of the tree, one at a time, and says which the tests notice."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from enum import StrEnum

from tests.campaigns.copies import Copy, Outcome
from tests.campaigns.seeded_faults.faults import Fault


class CannotTellError(Exception):
    """A test that fails without a fault tells nothing of one; the text shows which."""


class Verdict(StrEnum):
    """What became of a fault."""

    CAUGHT = "caught"
    LIVED = "LIVED"
    NOT_FOUND = "OLD TEXT NOT FOUND"
    UNFIT = "COULD NOT BE RUN"


@dataclass(frozen=True, slots=True)
class Case:
    """One fault and what became of it.

    Attributes:
        fault: It.
        verdict: What became of it.
        why: More of it, where it was not caught.
    """

    fault: Fault
    verdict: Verdict
    why: str = ""


def with_fault(text: str, fault: Fault) -> str | None:
    """Return a file's text with the fault in it; None where its old text is not as often there."""
    parts = text.split(fault.old)
    if len(parts) != fault.places + 1:
        return None
    before, after = fault.old.join(parts[: fault.place]), fault.old.join(parts[fault.place :])
    return f"{before}{fault.new}{after}"


def try_fault(copy: Copy, fault: Fault) -> Case:
    """Put one fault in and run the tests that must fail."""
    path = copy.folder / fault.file
    text = path.read_text() if path.exists() else ""
    changed = with_fault(text, fault)
    if changed is None:
        count = text.count(fault.old)
        where = f"{fault.file} has it {count} times, {fault.places} expected" if text else "no file"
        return Case(fault, Verdict.NOT_FOUND, f"{where}: {fault.old}")
    with copy.changed(fault.file, changed):
        run = copy.run(fault.tests)
    if run.outcome is Outcome.FAILED:
        return Case(fault, Verdict.CAUGHT)
    if run.outcome is Outcome.PASSED:
        return Case(fault, Verdict.LIVED, " ".join(fault.tests))
    return Case(fault, Verdict.UNFIT, run.text)


def replay(copy: Copy, faults: Iterable[Fault], tell: Callable[[Case], None]) -> list[Case]:
    """Try faults one after the other, once their tests have passed without any.

    Raises:
        CannotTellError: A test fails without a fault.
    """
    faults = [*faults]
    tests = dict.fromkeys(name for fault in faults for name in fault.tests)
    before = copy.run([*tests], limit_s=1200.0)
    if before.outcome is not Outcome.PASSED:
        raise CannotTellError(f"the tests {before.outcome} without any fault:\n{before.text}")
    cases = []
    for fault in faults:
        cases.append(try_fault(copy, fault))
        tell(cases[-1])
    return cases
