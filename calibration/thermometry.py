"""How far the probe's own thermometer is off, from the ice point or a better thermometer."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from calibration.gum import Input, expanded, rectangular, standard
from calibration.model import Calibration, Instrument
from calibration.points import Capture, Thermometer
from calibration.references import ICE_CAUSE, ReferenceKind

_FEWEST_DEGREES = 1.0


def temperature_offset(
    captures: Sequence[Capture],
    instrument: Instrument,
    before: Calibration,
    thermometer: Thermometer | None,
) -> tuple[float, list[tuple[str, Input, float]]]:
    """Return what to add to the temperature shown, °C, and the sources of its uncertainty.

    Args:
        captures: Points; the ice point and those with a thermometer's reading tell it.
        instrument: What was known of the instrument.
        before: The calibration in force, kept where no point tells it.
        thermometer: The one whose readings the captures hold.

    Returns:
        The offset, and its causes as (origin, cause, change of the offset per unit).
    """
    measuring = [
        c for c in captures if c.reference.kind is ReferenceKind.ICE or c.thermometer_C is not None
    ]
    if not measuring:
        cause = standard("temperature offset in force", before.u_offset_C, "°C")
        return before.temperature_offset_C, [("offset in force", cause, 1.0)]
    share = 1.0 / len(measuring)
    total = 0.0
    rows: list[tuple[str, Input, float]] = []
    for capture in measuring:
        ice = capture.thermometer_C is None
        total += (0.0 if capture.thermometer_C is None else capture.thermometer_C) - capture.raw_C
        if ice:
            rows.append(("ice", ICE_CAUSE, share))
        rows.extend((o, c, share) for o, c in _temperature_causes(capture, instrument))
        if not ice and thermometer is not None:
            rows.extend((o, c, share) for o, c in _thermometer_causes(capture, thermometer))
    return total * share, rows


def _temperature_causes(capture: Capture, instrument: Instrument) -> Iterator[tuple[str, Input]]:
    n = capture.number
    samples = max(capture.effective_samples, 1.0)
    yield (
        f"temperature scatter {n}",
        standard(
            f"repeatability of temperature, point {n}",
            capture.scatter_C / math.sqrt(samples),
            "°C",
            max(_FEWEST_DEGREES, samples - 1.0),
        ),
    )
    step = rectangular(f"resolution of temperature, point {n}", instrument.resolution_C / 2, "°C")
    yield f"temperature step {n}", step
    between = rectangular(
        f"water at probe and thermometer, point {n}", instrument.cell_temperature_C, "°C"
    )
    yield f"between thermometers {n}", between


def _thermometer_causes(capture: Capture, thermometer: Thermometer) -> Iterator[tuple[str, Input]]:
    yield "thermometer", expanded(f"thermometer {thermometer.name}", thermometer.tolerance_C, "°C")
    step = rectangular(
        f"reading the thermometer, point {capture.number}", thermometer.resolution_C / 2, "°C"
    )
    yield f"thermometer step {capture.number}", step
