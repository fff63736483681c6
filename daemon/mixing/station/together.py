"""The water as all probes of a reservoir show it together: at the pace of one of them.

Where there is one probe, its reading is that of the water, and nothing here changes it.
"""

from __future__ import annotations

from copy import deepcopy
from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

from daemon.entries import Flag
from daemon.mixing.batch.batch_state import STEADY
from daemon.mixing.probe import continuity, health, own_history, reconciliation
from daemon.mixing.probe import place as places
from daemon.mixing.probe.place_state import PlaceState, Replaced, Returned
from daemon.mixing.probe.shares import Indication, Reconciliation, Share
from daemon.mixing.station import conditions
from daemon.mixing.station.conditions import USABLE

if TYPE_CHECKING:
    from daemon.entries import Reading
    from daemon.mixing.events import Happening
    from daemon.mixing.probe.place_state import Finding
    from daemon.mixing.station.station_state import ReservoirSettings, ReservoirState

ELSEWHERE = frozenset({"immersion", "location"})
"""Tests that a probe fails by being in other water or in none, with nothing wrong with it."""


class WaterReading(NamedTuple):
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
    known = state.reconciliation.decides
    if len(settings.probes) > 1 and known in settings.probes:
        return known
    return next(iter(settings.probes))


def place_of(state: ReservoirState, settings: ReservoirSettings) -> PlaceState:
    """Return where the probes of a reservoir are, as a whole."""
    if len(settings.probes) > 1:
        return state.reconciliation.place
    only = state.probes.get(next(iter(settings.probes)))
    return PlaceState() if only is None else only.place


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
        if state.reconciliation.decides:
            # There were several when it was last configured: what made up for them is over.
            state.reconciliation = Reconciliation()
        return WaterReading(reading, corrected, corrected, (*found,))
    _begin(state, settings)
    _note(state, reading, corrected, t_s)
    inside = [name for name in settings.probes if not _is_out(state, name)]
    names = reconciliation.fresh(state.reconciliation.shares, inside, t_s, settings.quality.gap_s)
    if _proves_nothing(state, names, inside):
        names = []
    _return_those_who_agree(state, names, inside, t_s)
    state.reconciliation.decides = _decides(state, names, inside or [*settings.probes], t_s)
    if state.reconciliation.decides != reading.probe:
        return None
    if _is_out(state, reading.probe):
        return WaterReading(reading, corrected, corrected)
    return _reconciled(state, reading, corrected, names, t_s)


def _begin(state: ReservoirState, settings: ReservoirSettings) -> None:
    """Go on from what was known of one probe, and forget those that are configured no longer."""
    whole, names = state.reconciliation, [*settings.probes]
    for gone in {*whole.shares} - {*names}:
        del whole.shares[gone]
    if whole.decides:
        return
    whole.decides = names[0]
    # Where only one was configured before, the place of the probes is where that one is.
    known = (each.place for name in names if (each := state.probes.get(name)) is not None)
    before = next((each for each in known if each.away is not None or each.bins.times_s), None)
    if before is not None:
        whole.place = deepcopy(before)


def _proves_nothing(state: ReservoirState, names: list[str], inside: list[str]) -> bool:
    """Return whether those in salt water repeat themselves, and another one has jumped.

    It may be the only one that works, in water that has changed.  Purified water is quiet.
    """
    shares = state.reconciliation.shares
    jumped = any(name in shares and shares[name].elsewhere is not None for name in inside)
    if not jumped:
        return False
    salt = [
        one is not None and one.salinity >= continuity.EMPTY_PPT
        for one in (shares[name].newest for name in names)
    ]
    return all(salt) and all(own_history.is_still(state.probes[name].place.bins) for name in names)


def _note(state: ReservoirState, reading: Reading, corrected: Reading, t_s: float) -> None:
    """Remember what one probe says beside the others."""
    share, probe = state.reconciliation.share(reading.probe), state.probes[reading.probe]
    share.sample_s = t_s
    if _is_out(state, reading.probe):
        # What it last said of the water stays known; what is read in a bottle is not of it.
        share.elsewhere, share.trouble = None, ""
        return
    usable = reading.flag in USABLE
    share.trouble = _trouble_of(reading, usable=usable)
    if usable and reading.conductivity_mS_cm is not None and reading.temperature_C is not None:
        continuity.note_steps(share, reading.conductivity_mS_cm, reading.temperature_C)
    indication = _indication(corrected, t_s)
    # A reply that is missing brings no probe back.
    away = probe.place.away is not None
    share.elsewhere = (indication or share.elsewhere or share.newest) if away else None
    share.stuck = reading.tests.get("flat_line") is Flag.FAIL or (share.stuck and not usable)
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
    judged = corrected.flag, {**corrected.tests}, {**corrected.figures}
    return Indication(t_s, conductivity, temperature, salinity, u, *judged)


def _is_out(state: ReservoirState, name: str) -> bool:
    probe = state.probes.get(name)
    return probe is not None and probe.out_s is not None


def _return_those_who_agree(
    state: ReservoirState, names: list[str], inside: list[str], t_s: float
) -> None:
    """Take a probe that was elsewhere for back in the water once it reads for long as the others.

    It may have left other water than that which is there now.  Air reads as purified water does, so
    that is no proof of it.
    """
    if not names:
        return
    shares = state.reconciliation.shares
    for name in inside:
        share = shares.get(name)
        if share is None or share.elsewhere is None:
            continue
        measured = [each for each in (shares[other].newest for other in names) if each is not None]
        dry = share.elsewhere.salinity < continuity.EMPTY_PPT
        if dry or not all(own_history.agree(share.elsewhere, each) for each in measured):
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
    # Who reads something elsewhere tells more than who reads nothing.
    away = [name for name in talking if whole.share(name).elsewhere is not None]
    if whole.decides in (away or talking):
        return whole.decides
    return (away or talking or inside)[0]


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
    tests, figures = reconciliation.reasons(whole, together, reading.probe)
    judged = replace(
        corrected,
        conductivity_mS_cm=conductivity,
        temperature_C=temperature,
        salinity=salinity,
        salinity_u=together.u,
        flag=together.flag,
        tests=tests,
        figures=figures,
        fault="",
    )
    watched = _evened(whole, judged)
    found = _find_place(state, watched, t_s)
    judged = _located(whole.place, judged, t_s)
    shown = replace(
        judged,
        conductivity_mS_cm=reading.conductivity_mS_cm,
        temperature_C=reading.temperature_C,
    )
    return WaterReading(shown, judged, watched, found)


def _located(place: PlaceState, judged: Reading, t_s: float) -> Reading:
    """Return a reading of all probes as it is where they are all elsewhere: not of the water."""
    flag = places.location(place, t_s)
    if place.away is None or flag <= judged.flag:
        return judged
    since_min = (t_s - place.away.since_s) / 60.0
    figure = f"they left the water of {place.away.home.salinity:.1f} ppt {since_min:.0f} min ago"
    return replace(
        judged,
        flag=flag,
        tests={**judged.tests, "location": flag},
        figures={**judged.figures, "location": figure},
    )


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
    if len(settings.probes) == 1:
        return []
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
    if len(settings.probes) == 1:
        return True
    whole = state.reconciliation
    others = [each for each in whole.members if each != probe and not _is_out(state, each)]
    return not any(whole.share(each).newest and not whole.share(each).trouble for each in others)


def in_dispute(state: ReservoirState) -> bool:
    """Return whether the probes that count do not agree on the salinity of the water."""
    whole = state.reconciliation
    return bool(whole.members) and any(whole.share(name).dissent > 0.0 for name in whole.members)


def dispute_ended(state: ReservoirState) -> bool:
    """Return whether the probes that count agree since this reading; asked once a reading."""
    disputed, whole = in_dispute(state), state.reconciliation
    ended, whole.disputed = whole.disputed and not disputed, disputed
    return ended


def forget(state: ReservoirState, probe: str, *, changed: bool) -> None:
    """Forget what a probe was worth beside others: it was elsewhere, or is another one now.

    Args:
        state: Of the reservoir; changed in place.
        probe: Its name.
        changed: Whether its calibration changed; if not, a dispute with the others is kept.
    """
    before = state.reconciliation.shares.pop(probe, None)
    if before is not None and not changed:
        state.reconciliation.shares[probe] = Share(dissent=before.dissent)


def take_word(state: ReservoirState, settings: ReservoirSettings) -> None:
    """Take the probe that reads most for the one that a person says is in the water.

    The others are compared with it.
    """
    said = {
        name: share.elsewhere.salinity
        for name in settings.probes
        if (share := state.reconciliation.shares.get(name)) is not None
        and share.elsewhere is not None
        and not _is_out(state, name)
    }
    if said:
        name = max(said, key=lambda each: said[each])
        places.accept(state.probes[name].place)
        state.reconciliation.shares[name].elsewhere = None


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
