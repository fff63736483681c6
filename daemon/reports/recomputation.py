"""Readings recomputed under another calibration, from the indicated values that are kept."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

from calibration.history import UnknownCalibration, find
from calibration.model import NEVER_CALIBRATED
from daemon.entries import Flag, Reading
from daemon.errors import BrinewrightError
from daemon.journal.calibration_records import calibrations
from daemon.journal.reader import Stored
from daemon.mixing.probe.calibration_history import name_of
from daemon.mixing.probe.corrected_salinity import Correction, correction, salinity_of
from daemon.mixing.probe.value_age import AgeUncertainty
from daemon.mixing.seawater.uncertainty import ProbeUncertainty

if TYPE_CHECKING:
    from collections.abc import Mapping

    from daemon.journal.reader import Reader
    from daemon.mixing.station.station_state import ReservoirSettings


class NoSuchCalibrationError(BrinewrightError):
    """The journal holds no accepted calibration of that id."""


def recomputed(
    stored: Iterable[list[Stored]],
    reservoirs: Mapping[str, ReservoirSettings],
    reader: Reader,
    calibration: str,
) -> Iterator[list[Stored]]:
    """Return entries with the readings of a calibration's probe under that calibration.

    Args:
        stored: Some at a time.
        reservoirs: Settings by name, for the uncertainty of a probe without calibration.
        reader: Of the journal that holds the calibration.
        calibration: Its id, or "none" for all readings as the probes indicated them.

    Raises:
        JournalError: The journal cannot be read.
        NoSuchCalibrationError: It holds none of that id.
    """
    name, correct = _correction_of(reader, calibration)
    uncertainties = {
        name_of(reservoir, probe): known
        for reservoir, settings in reservoirs.items()
        for probe, known in settings.probes.items()
    }
    for some in stored:
        yield [
            replace(each, entry=_under(each.entry, uncertainties, correct))
            if isinstance(each.entry, Reading)
            and name in ("", name_of(each.entry.reservoir, each.entry.probe))
            else each
            for each in some
        ]


def _correction_of(reader: Reader, calibration: str) -> tuple[str, Correction | None]:
    """Return the probe that a calibration is of, empty for all, and what corrects it."""
    if calibration == NEVER_CALIBRATED:
        return "", None
    records = [record for _, record in calibrations(reader)]
    probe = next((record.probe for record in records if record.id == calibration), "")
    try:
        record = find(records, probe, calibration)
    except UnknownCalibration:
        raise NoSuchCalibrationError(
            f"there is no accepted calibration {calibration!r}; 'brinewright calibrate list' names"
            " those there are"
        ) from None
    return probe, correction(record, record.calibration)


def _under(
    reading: Reading, uncertainties: dict[str, ProbeUncertainty], correct: Correction | None
) -> Reading:
    """Return a reading under another calibration; one without a value stays without."""
    known = uncertainties.get(name_of(reading.reservoir, reading.probe), ProbeUncertainty())
    aged = AgeUncertainty(reading.conductivity_age_u_mS_cm, reading.temperature_age_u_C)
    salinity, u = salinity_of(
        reading.conductivity_mS_cm, reading.temperature_C, known, correct, aged
    )
    if salinity is None:
        flag = max(reading.flag, Flag.FAIL)
        return replace(reading, salinity=None, salinity_u=None, flag=flag, calibration="")
    return replace(
        reading,
        salinity=salinity,
        salinity_u=u,
        calibration="" if correct is None else correct.id,
    )
