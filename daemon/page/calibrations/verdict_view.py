"""A verdict as it is shown before anything is saved: what was found, and what would change."""

from __future__ import annotations

from dataclasses import dataclass

from daemon.mixing.probe_events import Adjustment, CalibrationJudged, ComparedPoint
from daemon.page.blocks import short
from daemon.page.calibrations.answers import RoutineAnswer
from daemon.page.calibrations.figures import (
    K,
    error_text,
    factor_percent_text,
    factor_text,
    offset_text,
    zero_text,
)
from daemon.page.calibrations.verdict_marks import Mark, outcome_mark

NEVER = "none"
NOTHING_FITTED = "Nothing can be fitted to the points, so there is nothing to save."


@dataclass(frozen=True, slots=True)
class FoundRow:
    """One point beside its reference.

    Attributes:
        reference: Its name.
        value: Reference value, mS/cm.
        found: Error as found.
        mark: Whether it agrees.
        left: Error as left; empty for a check.
    """

    reference: str
    value: str
    found: str
    mark: Mark
    left: str


@dataclass(frozen=True, slots=True)
class VerdictBlock:
    """A verdict.

    Attributes:
        mark: Whether it is in order.
        reasons: As sentences.
        found: Each point.
        adjustment: Quantity, in force now, proposed.
        changes: What would change, as sentences.
    """

    mark: Mark
    reasons: tuple[str, ...]
    found: tuple[FoundRow, ...]
    adjustment: tuple[tuple[str, str, str], ...]
    changes: tuple[str, ...]


def verdict_block(routine: RoutineAnswer) -> VerdictBlock:
    """Return the verdict of a routine that waits for a person's decision."""
    judged = routine.verdict
    if judged is None:
        mark = outcome_mark("refuse", routine.kind_)
        return VerdictBlock(mark, (short(routine.text),), (), (), (NOTHING_FITTED,))
    left = {each.point: each for each in judged.as_left}
    return VerdictBlock(
        outcome_mark(judged.outcome, routine.kind_),
        tuple(short(each) for each in judged.reasons),
        tuple(_found_row(each, left.get(each.point)) for each in judged.as_found),
        _adjustment(judged, routine.before),
        tuple(_changes(judged, routine)),
    )


def _found_row(point: ComparedPoint, left: ComparedPoint | None) -> FoundRow:
    mark = Mark("agrees", "disc", "inside") if point.agrees else Mark("is off", "cross", "outside")
    return FoundRow(
        short(point.reference),
        f"{point.reference_mS_cm:.3f} mS/cm",
        error_text(point),
        mark,
        "" if left is None else error_text(left),
    )


def _adjustment(judged: CalibrationJudged, before_id: str) -> tuple[tuple[str, str, str], ...]:
    proposed, before = judged.proposed, judged.before
    if proposed is None or before is None:
        return ()
    none = before_id == NEVER

    def now(text: str) -> str:
        return "none" if none else text

    return (
        ("Cell constant", now(factor_text(before)), factor_text(proposed)),
        ("the same, of its value", now(factor_percent_text(before)), factor_percent_text(proposed)),
        ("Zero", now(zero_text(before)), zero_text(proposed)),
        ("Temperature", now(offset_text(before)), offset_text(proposed)),
    )


def _changes(judged: CalibrationJudged, routine: RoutineAnswer) -> list[str]:
    if routine.kind_ == "check":
        return [
            (
                "Nothing is adjusted. Kept on record, the check makes the ± of readings smaller"
                " where it agrees, and larger where it does not."
            )
        ]
    stays = (
        "no calibration is in force"
        if routine.before == NEVER
        else f"{routine.before} stays in force"
    )
    if judged.outcome == "refuse":
        return [f"It is not used, whatever you decide: {stays}."]
    if judged.outcome == "hold":
        return [
            (
                f"It is kept and not used: {stays} until a check in another lot, or a repair that"
                " you name, settles which is right."
            )
        ]
    found = [f"{routine.id} comes into force, and readings are corrected by it from then on."]
    if judged.change_ppt is not None and judged.proposed is not None:
        found.append(_salinity(judged, judged.proposed))
    found.append("A batch that is steady is judged again by it.")
    return found


def _more_or_less(change_ppt: float) -> str:
    shown = f"{abs(change_ppt):.2f} ppt"
    if float(f"{change_ppt:.2f}") == 0.0:
        return "the same"
    return f"{shown} {'more' if change_ppt > 0.0 else 'less'}"


def _salinity(judged: CalibrationJudged, proposed: Adjustment) -> str:
    change = judged.change_ppt
    reads = "otherwise, by how much is not known" if change is None else _more_or_less(change)
    text = f"The same water of about 33 ppt then reads {reads}"
    if judged.salinity_u is None:
        return f"{text}."
    text += f", with ± {K * judged.salinity_u:.2f} ppt from the calibration"
    if judged.salinity_u_before is not None:
        text += f" instead of ± {K * judged.salinity_u_before:.2f} ppt"
    return f"{text} (cell constant × {proposed.factor:.4f})."
