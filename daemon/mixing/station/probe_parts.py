"""What part each of several probes has in the salinity of the water, for a snapshot."""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.mixing.station import conditions
from daemon.mixing.station.snapshot import ProbeSnapshot

if TYPE_CHECKING:
    from daemon.mixing.probe.shares import Share
    from daemon.mixing.station.station_state import ReservoirSettings, ReservoirState

COUNTS = "counts"
COMPARED = "being compared with the others"
LEFT_OUT = "left out: it left its own history"
ELSEWHERE = "left out: it seems not to be in the water"
CALIBRATING = "being calibrated"
SILENT = "no usable reading"
UNREAD = "no reading yet"


def probe_parts(
    state: ReservoirState, settings: ReservoirSettings | None, t_s: float
) -> dict[str, ProbeSnapshot]:
    """Return what each probe reads and what part it has; empty where there is one.

    Args:
        state: Of the reservoir.
        settings: Of the reservoir; None for one that is not configured.
        t_s: Monotonic time, s.
    """
    if settings is None or len(settings.probes) == 1:
        return {}
    return {name: _part(state, name, t_s) for name in settings.probes}


def _part(state: ReservoirState, name: str, t_s: float) -> ProbeSnapshot:
    share, probe = state.reconciliation.shares.get(name), state.probes.get(name)
    if probe is not None and probe.out_s is not None:
        return ProbeSnapshot(CALIBRATING)
    if share is None or share.sample_s is None:
        return ProbeSnapshot(UNREAD)
    one = share.elsewhere or share.newest
    if one is None or t_s - one.t_s > conditions.TOGETHER_S or share.trouble:
        return ProbeSnapshot(SILENT)
    words = _words(share, counts=name in state.reconciliation.members)
    return ProbeSnapshot(words, round(one.salinity, 5), round(one.u, 5))


def _words(share: Share, *, counts: bool) -> str:
    if share.elsewhere is not None:
        return ELSEWHERE
    if share.left_s is not None:
        return LEFT_OUT
    return COUNTS if counts else COMPARED
