"""The forms about calibrations: begin, each step of the routine, and what is in force."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from daemon.page.acts.kinds import LONGEST_NAME, Field, FormKind

REPAIRS = ("cleaned", "cell replaced", "instrument replaced")
"""As `calibration.acceptance` has them; a test holds the two equal."""
_REFERENCES = Field(
    "references",
    "References, in the order in which to measure them",
    hint="each by its kind and what stands on its label, with a semicolon between, such as:"
    " air; kcl-12-88 lot=Q-12 tolerance=0.5 expiry=2031-01-31",
)
_THERMOMETER = (
    Field(
        "thermometer",
        "Reference thermometer, name and number",
        required=False,
        longest=LONGEST_NAME,
        hint="where one is read beside the probe",
    ),
    Field(
        "thermometer_tolerance_C",
        "The ± on the reference thermometer, °C",
        "number",
        required=False,
        low=0.001,
        high=2.0,
        example="0.1",
        hint="as on its certificate or its housing; wanted where a thermometer is named",
    ),
)
_UNPLUGGED = Field(
    "sure",
    "What runs on mains in that water is unplugged, and every portion of solution is fresh",
    "consent",
)
_REPAIR = Field(
    "repair",
    "What was done to the probe before",
    required=False,
    longest=LONGEST_NAME,
    hint=f"empty for nothing, else one of: {', '.join(REPAIRS)}",
)
_AS_LEFT = Field(
    "as_left",
    "A reference to measure once more at the end",
    required=False,
    hint="written as the others; shows what is left of the error",
)
_REASON = Field("reason", "Reason", required=False)

CALIBRATION_KINDS: Mapping[str, FormKind] = MappingProxyType(
    {
        "calibration-start": FormKind(
            "calibrate.start",
            "Calibrate",
            "Begin the calibration",
            "calibration",
            (_REFERENCES, *_THERMOMETER, _REPAIR, _AS_LEFT, _UNPLUGGED),
        ),
        "calibration-check": FormKind(
            "calibrate.check",
            "Check, without adjustment",
            "Begin the check",
            "calibration",
            (_REFERENCES, *_THERMOMETER, _UNPLUGGED),
        ),
        "calibration-confirm": FormKind("calibrate.confirm", "Confirm", "Confirm", "calibration"),
        "calibration-anyway": FormKind(
            "calibrate.confirm",
            "Go on in spite of the warning",
            "Go on",
            "calibration",
            (Field("sure", "I have read the warning; it goes into the record", "consent"),),
        ),
        "calibration-temperature": FormKind(
            "calibrate.confirm",
            "Temperature",
            "Enter the temperature",
            "calibration",
            (
                Field(
                    "value_C",
                    "What the reference thermometer shows, °C",
                    "number",
                    unit="°C",
                    low=-5.0,
                    high=60.0,
                    example="24.5",
                ),
            ),
        ),
        "calibration-next": FormKind("calibrate.next", "Next", "Next point", "calibration"),
        "calibration-retry": FormKind(
            "calibrate.retry", "Repeat", "Repeat this point", "calibration"
        ),
        "calibration-abort": FormKind(
            "calibrate.abort", "Abort", "Abort: nothing is saved", "calibration"
        ),
        "calibration-revert": FormKind(
            "calibrate.revert",
            "Go back to an older calibration",
            "Put it in force again",
            "calibration",
            (
                Field("to", "Its record, as the table names it", longest=120),
                _REASON,
                Field("sure", "Readings are corrected by it from now on", "consent"),
            ),
        ),
        "calibration-settle": FormKind(
            "calibrate.settle",
            "Put the calibration that is held in force",
            "Put it in force",
            "calibration",
            (
                Field(
                    "repair",
                    "What was done to the probe before it",
                    longest=LONGEST_NAME,
                    hint=f"one of: {', '.join(REPAIRS)}",
                ),
                _REASON,
            ),
        ),
    }
)
"""By the name that a form carries."""
