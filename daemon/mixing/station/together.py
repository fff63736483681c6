"""The water as all probes of a reservoir show it together: at the pace of one of them.

Where there is one probe, its reading is that of the water, and nothing here changes it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from daemon.entries import Flag
from daemon.mixing.batch.batch_state import STEADY
from daemon.mixing.probe import continuity, health, own_history, reconciliation
from daemon.mixing.probe import place as places
from daemon.mixing.probe.place_state import Replaced, Returned
from daemon.mixing.probe.probe_state import ProbeState
from daemon.mixing.probe.shares import Indication
from daemon.mixing.station import conditions
from daemon.mixing.station.conditions import USABLE

if TYPE_CHECKING:
    from daemon.entries import Reading
    from daemon.mixing.events import Happening
    from daemon.mixing.probe.place_state import Finding, PlaceState
    from daemon.mixing.probe.shares import Reconciliation
    from daemon.mixing.station.station_state import ReservoirSettings, ReservoirState

ELSEWHERE = frozenset({"immersion", "location"})
"""Tests that a probe fails by being in other water or in none, with nothing wrong with it."""


@dataclass(frozen=True, slots=True)
class WaterReading:
    """What is known of the water at one moment.

    Attributes:
        shown: For people and alarms: as indicated by the probe that decides, with the salinity
            of all.
        judged: For judging the water: corrected, with the salinity of all.
        watched: For those who look for change: no probe that drops out or comes back is one.
        found: What was proven of the place of the probes.
    """

    shown: Reading
    judged: Reading
    watched: Reading
    found: tuple[Finding, ...] = ()


def deciding(state: ReservoirState, settings: ReservoirSettings) -> str:
    """Return the probe at whose pace the water is followed."""
    names = [*settings.probes]
    known = state.reconciliation.decides
    return known if len(names) > 1 and known in names else names[0]


def place_of(state: ReservoirState, settings: ReservoirSettings) -> PlaceState:
    """Return where the probes of a reservoir are, as a whole."""
    if len(settings.probes) > 1:
        return state.reconciliation.place
    return state.probes.get(next(iter(settings.probes)), ProbeState()).place


def take(
    state: ReservoirState,
    reading: Reading,
    corrected: Reading,
    found: list[Finding],
    t_s: float,
    settings: ReservoirSettings,
) -> WaterReading | None:
    """Take the reading of one probe; return what is known of the water, where that decides now.

    Args:
        state: Of the reservoir; changed in place.
        reading: Of the probe, as indicated.
        corrected: The same, corrected by its calibration.
        found: What it proved of the place of its probe.
        t_s: Monotonic time, s.
        settings: Of the reservoir.
    """
    if len(settings.probes) == 1:
        return WaterReading(reading, corrected, corrected, (*found,))
    _note(state, reading, corrected, t_s)
    inside = [name for name in settings.probes if not _is_out(state, name)]
    names = reconciliation.fresh(state.reconciliation.shares, inside, t_s, settings.quality.gap_s)
    _return_those_who_agree(state, names, inside, t_s)
    state.reconciliation.decides = _decides(state, names, inside or [*settings.probes], t_s)
    if state.reconciliation.decides != reading.probe:
        return None
    if _is_out(state, reading.probe):
        return WaterReading(reading, corrected, corrected)
    return _reconciled(state, reading, corrected, names, t_s)


def _note(state: ReservoirState, reading: Reading, corrected: Reading, t_s: float) -> None:
    """Remember what one probe says beside the others."""
    share, probe = state.reconciliation.share(reading.probe), state.probes[reading.probe]
    share.sample_s = t_s
    usable = reading.flag in USABLE
    share.trouble = _trouble_of(reading, usable=usable)
    indication = _indication(corrected, t_s)
    share.elsewhere = indication if probe.place.away is not None else None
    if usable and indication is not None:
        share.newest = indication
    elif reading.flag is Flag.FAIL and _failed(reading) != ["spike"]:
        # A reply that is missing is made up for by the one before; a wrong one is not.
        share.newest = None


def _failed(reading: Reading) -> list[str]:
    return [test for test, flag in reading.tests.items() if flag >= Flag.FAIL]


def _trouble_of(reading: Reading, *, usable: bool) -> str:
    """Return what is wrong with a probe; one that is elsewhere disagrees, which is told apart."""
    failed = set(_failed(reading))
    if failed and failed <= ELSEWHERE:
        return ""
    return conditions.of_reading(reading, usable=usable).get("probe-fault", "")


def _indication(corrected: Reading, t_s: float) -> Indication | None:
    conductivity, temperature = corrected.conductivity_mS_cm, corrected.temperature_C
    salinity, u = corrected.salinity, corrected.salinity_u
    if conductivity is None or temperature is None or salinity is None or u is None:
        return None
    return Indication(t_s, conductivity, temperature, salinity, u, corrected.flag)


def _is_out(state: ReservoirState, name: str) -> bool:
    probe = state.probes.get(name)
    return probe is not None and probe.out_s is not None


def _return_those_who_agree(
    state: ReservoirState, names: list[str], inside: list[str], t_s: float
) -> None:
    """Take a probe that was elsewhere for back in the water once it reads for long as the others.

    It may have left other water than that which is there now.
    """
    if not names:
        return
    shares = state.reconciliation.shares
    for name in inside:
        share = shares.get(name)
        if share is None or share.elsewhere is None:
            continue
        measured = [each for each in (shares[other].newest for other in names) if each is not None]
        if not all(own_history.agree(share.elsewhere, each) for each in measured):
            share.near_s = None
            continue
        share.near_s = t_s if share.near_s is None else share.near_s
        if t_s - share.near_s >= own_history.AGREES_S:
            share.elsewhere = share.near_s = None
            places.accept(state.probes[name].place)


def _decides(state: ReservoirState, names: list[str], inside: list[str], t_s: float) -> str:
    """Return the first probe that measures the water, else one that says anything at all."""
    whole = state.reconciliation
    sound = [name for name in names if whole.shares[name].left_s is None]
    if sound or names:
        return (sound or names)[0]
    talking = [
        name
        for name in inside
        if (at_s := whole.share(name).sample_s) is not None and t_s - at_s <= conditions.TOGETHER_S
    ]
    if whole.decides in talking:
        return whole.decides
    return (talking or inside)[0]


def _reconciled(
    state: ReservoirState, reading: Reading, corrected: Reading, names: list[str], t_s: float
) -> WaterReading:
    whole = state.reconciliation
    bins = {name: state.probes[name].place.bins for name in names}
    at_rest = state.batch.phase in STEADY
    together = reconciliation.reconcile(whole, names, bins, t_s, at_rest=at_rest)
    if together is None:
        watched = _evened(whole, corrected)
        return WaterReading(reading, corrected, watched, _find_place(state, watched, t_s))
    conductivity, temperature, salinity = together.values
    own = together.flag >= reading.flag
    judged = replace(
        corrected,
        conductivity_mS_cm=conductivity,
        temperature_C=temperature,
        salinity=salinity,
        salinity_u=together.u,
        flag=together.flag,
        tests={**reading.tests} if own else {},
        figures={**reading.figures} if own else {},
        fault="",
    )
    watched = _evened(whole, judged)
    shown = replace(
        judged,
        conductivity_mS_cm=reading.conductivity_mS_cm,
        temperature_C=reading.temperature_C,
    )
    return WaterReading(shown, judged, watched, _find_place(state, watched, t_s))


def _evened(whole: Reconciliation, reading: Reading) -> Reading:
    """Return a reading for those who look for change in the water."""
    values = (reading.conductivity_mS_cm, reading.temperature_C, reading.salinity)
    conductivity, temperature, salinity = values
    if conductivity is None or temperature is None or salinity is None:
        return reading
    even = continuity.evened(whole, (conductivity, temperature, salinity))
    return replace(reading, conductivity_mS_cm=even[0], temperature_C=even[1], salinity=even[2])


def troubles(state: ReservoirState, settings: ReservoirSettings, t_s: float) -> dict[str, str]:
    """Return what is wrong with probes beside the one that decides, as a condition of an alarm.

    Args:
        state: Of the reservoir.
        settings: Likewise.
        t_s: Monotonic time, s.
    """
    decides = deciding(state, settings)
    others = [name for name in settings.probes if name != decides and not _is_out(state, name)]
    wrong = [why for name in others if (why := _trouble(state, name, t_s))]
    if not wrong:
        return {}
    goes_on = f"; the water is followed by {decides}"
    return {"probe-fault": "; ".join(wrong) + goes_on}


def _trouble(state: ReservoirState, name: str, t_s: float) -> str:
    share = state.reconciliation.shares.get(name)
    if share is None or share.sample_s is None:
        return ""
    silent_s = t_s - share.sample_s
    if silent_s > conditions.TOGETHER_S:
        return f"nothing at all has come from {name} for {silent_s / 60.0:.0f} min"
    return share.trouble


def silent(state: ReservoirState, settings: ReservoirSettings, t_s: float) -> list[Happening]:
    """Follow the health of the probes beside the one that decides that send nothing at all."""
    decides = deciding(state, settings)
    steps: list[Happening] = []
    for name in settings.probes:
        share, probe = state.reconciliation.shares.get(name), state.probes.get(name)
        if name == decides or probe is None or share is None or share.sample_s is None:
            continue
        if t_s - share.sample_s > conditions.TOGETHER_S:
            steps += health.silent(probe, name, t_s)
    return steps


def is_alone(state: ReservoirState, settings: ReservoirSettings, probe: str) -> bool:
    """Return whether the salinity of the water rests on one probe and no other."""
    return len(settings.probes) == 1 or not {*state.reconciliation.members} - {probe}


def in_dispute(state: ReservoirState) -> bool:
    """Return whether the probes that count do not agree on the salinity of the water."""
    whole = state.reconciliation
    return any(whole.share(name).dissent > 0.0 for name in whole.members)


def dispute_ended(state: ReservoirState) -> bool:
    """Return whether the probes that count agree since this reading; asked once a reading."""
    disputed, whole = in_dispute(state), state.reconciliation
    ended, whole.disputed = whole.disputed and not disputed, disputed
    return ended


def forget(state: ReservoirState, probe: str) -> None:
    """Forget what a probe was worth beside others: it was elsewhere, or is another one now."""
    state.reconciliation.shares.pop(probe, None)


def _find_place(state: ReservoirState, watched: Reading, t_s: float) -> tuple[Finding, ...]:
    """Follow the place of all probes as that of one that reads what they read together."""
    values = (watched.conductivity_mS_cm, watched.temperature_C, watched.salinity)
    conductivity, temperature, salinity = values
    credible = watched.tests.get("gross_range", Flag.PASS) is Flag.PASS
    if conductivity is None or temperature is None or salinity is None or not credible:
        return ()
    found = places.advance(state.reconciliation.place, t_s, conductivity, temperature, salinity)
    if any(isinstance(each, Replaced | Returned) for each in found):
        own = state.probes[watched.probe].place
        if own.away is not None:
            # What they found together, it has found too.
            places.accept(own)
    return (*found,)
