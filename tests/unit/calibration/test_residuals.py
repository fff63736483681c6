"""How far a point lies off its line, over what that distance is uncertain by: figures by hand."""

from __future__ import annotations

import math

import pytest

from calibration.acceptance import CalibrationOutcome, judge
from calibration.fit import Fit, fit
from calibration.model import Instrument, uncalibrated
from calibration.points import Capture
from calibration.references import own_table
from calibration.solution import ReferenceSolution

EXACT = Instrument(
    "ct-1", resolution_mS_cm=0.0, resolution_C=0.0, linearity_percent=0.0, cell_temperature_C=0.0
)
SCATTER_MS_CM = 0.1
SURE_PERCENT = 1e-6


def line_with_its_middle_off(off_mS_cm: float) -> Fit:
    """Three sure solutions of 10, 20 and 30 mS/cm; the middle one reads so much too high.

    All three scatter alike, so that the line is the plain one of least squares.
    """
    captures = []
    for number, value in enumerate((10.0, 20.0, 30.0), start=1):
        rows = {20.0: value * 0.96, 22.0: value, 24.0: value * 1.04}
        bottle = own_table(
            f"standard {value:g}", rows, ReferenceSolution(f"Q-{number}", SURE_PERCENT)
        )
        shown = value + (off_mS_cm if number == 2 else 0.0)
        captures.append(Capture(number, bottle, shown, SCATTER_MS_CM, 22.0, 0.0, 1.0))
    return fit(captures, EXACT, uncalibrated(EXACT))


def test_a_residual_is_compared_with_what_the_line_leaves_free() -> None:
    """Of 0.3 mS/cm two thirds stay at the middle and a third, downwards, at each end.

    The line takes 5/6 of an end's freedom and 1/3 of the middle's: u is 0.1 √(1/6) there and
    0.1 √(2/3) here, and all three lie √6 = 2.449 of it away.
    """
    fitted = line_with_its_middle_off(0.3)

    assert pytest.approx([-0.1, 0.2, -0.1], abs=1e-3) == [
        each.residual_mS_cm for each in fitted.residuals
    ]
    assert pytest.approx([-2.449, 2.449, -2.449], abs=5e-3) == [
        each.normalised for each in fitted.residuals
    ]


@pytest.mark.parametrize(
    "off_mS_cm, outcome",
    [
        (0.24, CalibrationOutcome.ACCEPT),  # 1.96
        (0.25, CalibrationOutcome.ACCEPT_WITH_WARNING),  # 2.04
        (0.36, CalibrationOutcome.ACCEPT_WITH_WARNING),  # 2.94
        (0.375, CalibrationOutcome.REFUSE),  # 3.06
    ],
)
def test_two_is_warned_of_and_three_refused(off_mS_cm: float, outcome: CalibrationOutcome) -> None:
    """The verdict turns at two and at three standard uncertainties of the residual."""
    fitted = line_with_its_middle_off(off_mS_cm)
    lies = [
        reason
        for reason in judge(fitted, uncalibrated(EXACT), EXACT).reasons
        if "off the line" in reason
    ]

    assert pytest.approx(off_mS_cm / 0.1 * math.sqrt(2.0 / 3.0), rel=2e-3) == max(
        abs(each.normalised) for each in fitted.residuals
    )
    assert (outcome is not CalibrationOutcome.ACCEPT) == bool(lies)
    assert (outcome is CalibrationOutcome.REFUSE) == (
        judge(fitted, uncalibrated(EXACT), EXACT).outcome is CalibrationOutcome.REFUSE
    )
