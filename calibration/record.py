"""What is kept of a calibration, a check or a return to an older one: all of it, as plain data."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from calibration.acceptance import CalibrationOutcome, CalibrationVerdict
from calibration.as_found import PointError
from calibration.fit import Fit
from calibration.gum import Row
from calibration.model import Calibration, Instrument
from calibration.points import Capture, Thermometer


@dataclass(frozen=True, slots=True)
class CalibrationRecord:
    """One calibration and everything that it rests on.

    Attributes:
        calibration: The correction itself.
        instrument: What was known of the instrument.
        before_id: The calibration that was in force.
        fit: Budget, residuals and results.
        captures: The points as taken.
        as_found: Each point under the calibration that was in force.
        as_left: Each point under the new one; measured again where `as_left_measured`.
        as_left_measured: Whether the as-left figures come from a point of their own.
        verdict: Outcome and reasons; a refused one is kept and never in force.
        thermometer: The reference thermometer, where one was used.
        overridden: What the operator was warned of and went on in spite of.
        started_at: ISO 8601, UTC.
        due_on: ISO 8601 date by which the next is due.
        repair: What was done to the probe before, as the person said; empty for nothing.
        unconfirmed_percent: How far the cell constant moved by more than its solutions alone
            prove, %; it is uncertain by that until a check in another lot agrees.
        kind: Tells the records apart.
    """

    calibration: Calibration
    instrument: Instrument
    before_id: str
    fit: Fit
    captures: tuple[Capture, ...]
    as_found: tuple[PointError, ...]
    as_left: tuple[PointError, ...]
    as_left_measured: bool
    verdict: CalibrationVerdict
    thermometer: Thermometer | None = None
    overridden: tuple[str, ...] = ()
    started_at: str = ""
    due_on: str = ""
    repair: str = ""
    unconfirmed_percent: float = 0.0
    kind: Literal["calibration"] = "calibration"

    @property
    def id(self) -> str:
        """Its calibration's id."""
        return self.calibration.id

    @property
    def probe(self) -> str:
        """Name of the probe."""
        return self.calibration.probe

    @property
    def made_at(self) -> str:
        """ISO 8601, UTC."""
        return self.calibration.made_at

    @property
    def usable(self) -> bool:
        """Whether it may be in force as it is: neither refused nor held."""
        return self.verdict.outcome in (
            CalibrationOutcome.ACCEPT,
            CalibrationOutcome.ACCEPT_WITH_WARNING,
        )

    @property
    def on_hold(self) -> bool:
        """Whether it contradicts the one in force, and waits for what settles that."""
        return self.verdict.outcome is CalibrationOutcome.HOLD

    @property
    def budget(self) -> tuple[Row, ...]:
        """The uncertainty budget, largest first."""
        return self.fit.rows


@dataclass(frozen=True, slots=True)
class CheckRecord:
    """A check without adjusting.

    Attributes:
        id: Unique.
        probe: Name of the probe.
        made_at: ISO 8601, UTC.
        by: Who did it.
        calibration_id: The calibration that was checked.
        captures: The points as taken.
        found: Each point under that calibration.
        agrees: Whether every error is within its expanded uncertainty.
        sentences: The findings in words.
        overridden: What the operator was warned of and went on in spite of.
        kind: Tells the records apart.
    """

    id: str
    probe: str
    made_at: str
    by: str
    calibration_id: str
    captures: tuple[Capture, ...]
    found: tuple[PointError, ...]
    agrees: bool
    sentences: tuple[str, ...]
    overridden: tuple[str, ...] = ()
    kind: Literal["check"] = "check"


@dataclass(frozen=True, slots=True)
class Reversion:
    """A return to an older calibration.

    Attributes:
        id: Unique.
        probe: Name of the probe.
        made_at: ISO 8601, UTC.
        by: Who did it.
        to_id: The calibration that is in force from now on.
        reason: Why, in the person's words.
        kind: Tells the records apart.
    """

    id: str
    probe: str
    made_at: str
    by: str
    to_id: str
    reason: str = ""
    kind: Literal["reversion"] = field(default="reversion")


@dataclass(frozen=True, slots=True)
class Settlement:
    """What settled a calibration that was held.

    Attributes:
        id: Unique.
        probe: Name of the probe.
        made_at: ISO 8601, UTC.
        by: Who did it.
        calibration_id: The calibration that was held.
        in_force: Whether it is in force from now on; else it is dropped.
        why: As a sentence.
        repair: What was done to the probe, where a person named that; else empty.
        en: The E_n number of the contradiction; None where it was not worked out again.
        kind: Tells the records apart.
    """

    id: str
    probe: str
    made_at: str
    by: str
    calibration_id: str
    in_force: bool
    why: str
    repair: str = ""
    en: float | None = None
    kind: Literal["settlement"] = field(default="settlement")


Record = CalibrationRecord | CheckRecord | Reversion | Settlement
