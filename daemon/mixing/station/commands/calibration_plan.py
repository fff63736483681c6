"""The plan of a calibration or a check of a reservoir's probe."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC
from typing import TYPE_CHECKING

from calibration.bench import Plan
from calibration.model import Instrument
from daemon.mixing.probe.calibration_history import name_of, record_id

if TYPE_CHECKING:
    from datetime import datetime

    from calibration.points import Thermometer
    from calibration.references import Reference
    from daemon.mixing.probe.calibration_routines import CalibrationBench
    from daemon.mixing.seawater.uncertainty import ProbeUncertainty
    from daemon.mixing.station.station_state import ReservoirSettings

DUE_DAYS = 90
RESOLUTION_MS_CM = 0.01


def plan_for(
    calibrating: CalibrationBench,
    settings: ReservoirSettings,
    probe: str,
    wall: datetime,
    references: tuple[Reference, ...],
    *,
    adjust: bool,
    thermometer: Thermometer | None = None,
    as_left: Reference | None = None,
) -> Plan:
    """Return the plan of a calibration or a check.

    Raises:
        ValueError: There can be no such plan; the text says why.
    """
    name = name_of(settings.name, probe)
    newest = calibrating.records.newest(name)
    if newest is not None and wall < newest:
        raise ValueError(
            f"the clock says {wall:%Y-%m-%d %H:%M} UTC, which is before the last record of {name}"
            f" ({newest:%Y-%m-%d %H:%M}); set the clock first"
        )
    uncertainty = settings.probes[probe]
    instrument = replace(
        settings.instruments.get(probe, Instrument(name)),
        probe=name,
        span_mS_cm=settings.quality.conductivity_range_mS_cm[1],
        resolution_mS_cm=uncertainty.resolution_mS_cm or RESOLUTION_MS_CM,
    )
    if not adjust:
        instrument = _as_claimed(instrument, uncertainty)
    now = calibrating.records.in_force(name)
    return Plan(
        record_id(calibrating.records.records, name, wall),
        instrument,
        references,
        calibrating.records.before(instrument, wall),
        wall.astimezone(UTC).date().isoformat(),
        adjust=adjust,
        thermometer=thermometer,
        as_left=as_left,
        due_days=settings.calibrate_every_days.get(probe, DUE_DAYS),
        rows=() if now is None else now.budget,
        on_hold=calibrating.records.on_hold(name),
    )


def _as_claimed(instrument: Instrument, uncertainty: ProbeUncertainty) -> Instrument:
    """Return an instrument with the limits that the station publishes for its readings.

    A check of a probe that was never calibrated is judged by those, and not by the limits of
    any cell.
    """
    return replace(
        instrument,
        factor_limits_percent=math.sqrt(3.0) * uncertainty.conductivity_percent,
        thermometer_limits_C=math.sqrt(3.0) * uncertainty.temperature_C,
    )
