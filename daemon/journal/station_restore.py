"""The station as the journal left it."""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING

from daemon.journal.calibration_records import calibrations
from daemon.journal.checkpoint import restore, restore_batches
from daemon.journal.reader import Reader
from daemon.mixing.station.station import Station, StationState, sample_of

if TYPE_CHECKING:
    from logging import Logger
    from pathlib import Path

    from daemon.mixing.stability.weights import Weights
    from daemon.mixing.station.host import StationSettings
    from daemon.mixing.station.station import ReservoirSettings


def restore_station(
    path: Path,
    settings: dict[str, ReservoirSettings],
    weights: Weights,
    log: Logger,
    own: StationSettings | None = None,
) -> Station:
    """Return the station as the journal left it, or a new one.

    Readings written since the last checkpoint are taken again; what
    follows from them is in the journal already.
    """
    if not path.exists():
        return Station(settings, weights, own=own)
    reader = Reader(path)
    seq, state = 0, StationState()
    kept = reader.checkpoint()
    if kept is not None:
        seq, text = kept
        whole = restore(text)
        if whole is None or whole.weights != weights.mark:
            whole = _partly(text, log)
        state = whole
    records = calibrations(reader)
    earlier = [record for at, record in records if at <= seq]
    station = Station(settings, weights, state, earlier, own)
    later = deque((at, record) for at, record in records if at > seq)
    for at, reading in reader.readings(since_seq=seq):
        while later and later[0][0] < at:
            station.calibrated(later.popleft()[1])
        known = settings.get(reading.reservoir)
        if known is not None and reading.probe in known.probes:
            station.advance(sample_of(reading))
    for _, record in later:
        station.calibrated(record)
    return station


def _partly(text: str, log: Logger) -> StationState:
    state = restore_batches(text)
    if state is None:
        log.warning("the checkpoint in the journal cannot be read; starting with no batch known")
        return StationState()
    log.warning(
        "the checkpoint in the journal is of another version; batches are restored, detectors"
        " begin again"
    )
    return state
