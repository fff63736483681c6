"""Release a batch or refuse it, and say why: the judgement of steady water.

The salinity is judged by the probability that it lies within the limits; what
else the reservoir demands of a batch comes after that.  Another instrument confirms
or contradicts the probe; it is never averaged with it.

A batch that is undecided at first is looked at each minute.  So that it is not
released by luck one day, both the last minutes and the whole time since the call
must say the same.

Source: JCGM 106:2012, guarded acceptance and guarded rejection.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from daemon.entries import Phase
from daemon.mixing.batch.advice import Vessel, correction, undecided
from daemon.mixing.batch.second_instrument import likely_cause
from daemon.mixing.events import AdviceGiven, Happening, PhaseChanged
from daemon.mixing.seawater import dosing
from daemon.mixing.seawater.dosing import MASS_U_SHARE, VOLUME_U_SHARE
from daemon.mixing.seawater.uncertainty import Verdict, accept, combine, conformance_probability

if TYPE_CHECKING:
    from collections.abc import Mapping

    from daemon.mixing.batch.state import BatchSettings, BatchState, Told

SURE = 2.0


@dataclass(frozen=True, slots=True)
class Shortfall:
    """Salt that the water does not account for.

    Attributes:
        expected: Practical salinity that the told mass must give.
        u: Standard uncertainty of what was found less what was expected.
        missing_g: Dry mix unaccounted for, g; negative when there is too much.
    """

    expected: float
    u: float
    missing_g: float


def judge(state: BatchState, t_s: float, settings: BatchSettings) -> list[Happening]:
    """Release, refuse, or say what would decide.

    Args:
        state: Changed in place; its `called` and `called_u` are judged.
        t_s: Monotonic time, s.
        settings: What the batch has to be.
    """
    if state.called is None or state.called_u is None:
        return []
    state.judged_s = t_s
    salinity, u = state.called, state.called_u
    low, high = settings.low_ppt, settings.high_ppt
    verdict, state.probability = _verdict(state, salinity, u, settings)
    found = f"{salinity:.2f} ± {2 * u:.2f} ppt (k=2)"
    if verdict == "outside":
        return _refuse(state, salinity, f"{found} is outside {low:g} to {high:g} ppt", settings)
    waits = pending(state, settings)
    if verdict == "undecided":
        why = f"{found} is not surely within {low:g} to {high:g} ppt"
        return _open(state, why) + _leave_open(state, salinity, u, waits, settings)
    if waits:
        text = (
            f"{found} is within {low:g} to {high:g} ppt; release waits: {'; '.join(waits.values())}"
        )
        return _open(state, "release waits") + advise(
            state, f"waits: {', '.join(waits)}", AdviceGiven(text)
        )
    # Neither mixing nor a correction makes the water that was released before any younger.
    state.aged_from_s = t_s if state.aged_from_s is None else state.aged_from_s
    state.ready_since_s, state.was_ready = state.aged_from_s, True
    state.was_stale = False
    state.forget_advice()
    return to(state, Phase.READY, f"{found} is within {low:g} to {high:g} ppt")


def _verdict(
    state: BatchState, salinity: float, u: float, settings: BatchSettings
) -> tuple[Verdict, float]:
    """Return what both the last minutes and the whole time since the call say, and how probable.

    The probability is that of the less favourable of the two.
    """
    low, high = settings.low_ppt, settings.high_ppt
    looks = [salinity] if state.mean is None else [salinity, state.mean]
    probability = min(conformance_probability(each, u, low, high) for each in looks)
    verdicts = {accept(each, u, low, high, settings.release_confidence) for each in looks}
    return (verdicts.pop() if len(verdicts) == 1 else "undecided"), probability


def pending(state: BatchState, settings: BatchSettings) -> dict[str, str]:
    """Return what release still waits for besides salinity: a sentence each, by a short name."""
    waits = {}
    span, now_C = settings.temperature_range_C, state.temperature_C
    if span is not None and (now_C is None or not span[0] <= now_C <= span[1]):
        now = "unknown" if now_C is None else f"{now_C:.1f} °C"
        waits["temperature"] = f"temperature is {now}, wanted {span[0]:g} to {span[1]:g} °C"
    if settings.needs_confirmation and not state.confirmed_by:
        waits["confirmation"] = "somebody must confirm that the water is clear and the bottom clean"
    elif state.was_stale and not state.confirmed_by:
        waits["confirmation"] = "it was stale; somebody must confirm that it is still good"
    if state.second is None and settings.needs_second_reading:
        waits["second reading"] = "a reading of an independent instrument is wanted"
    if disagreement(state):
        waits["disagreement"] = disagreement(state)
    short = shortfall(state)
    if short is not None and short.missing_g > 0.0 and not settings.release_short:
        waits["short yield"] = short_sentence(state, short)
    return waits


def disagreement(state: BatchState) -> str:
    """Say how the two instruments disagree beyond their uncertainty; empty when they agree.

    Empty too where nobody knows what the probe is worth; then nothing is judged either.
    """
    if state.second is None or state.called is None or state.called_u is None:
        return ""
    apart = state.second.salinity - state.called
    allowed = SURE * combine(state.second.u, state.called_u)
    if abs(apart) <= allowed:
        return ""
    cause = likely_cause(apart, state.second.instrument)
    return (
        f"{state.second.instrument} reads {apart:+.2f} ppt from the probe, more than the"
        f" {allowed:.2f} ppt (k=2) that both together may be off: find out which is wrong"
        f"{cause and f' ({cause})'}"
    )


def expected(told: Told) -> tuple[float, float]:
    """Return the practical salinity that the told mass must give, and its uncertainty.

    Raises:
        ValueError: The mass would give more than the scale of salinity holds.
    """
    made = dosing.outcome(told.volume_l, told.before, told.mass_g, 0.0, told.mix_yield)
    rise = made.salinity - told.before
    share = combine(told.yield_u / told.mix_yield, MASS_U_SHARE, VOLUME_U_SHARE)
    return made.salinity, rise * share


def shortfall(state: BatchState) -> Shortfall | None:
    """Return the salt unaccounted for, or None where salt told and salt found agree."""
    told = state.told
    if told is None or not told.holds or state.called is None or state.called_u is None:
        return None
    try:
        wanted, wanted_u = expected(told)
        u = combine(wanted_u, state.called_u)
        if abs(wanted - state.called) <= SURE * u:
            return None
        found = _grams(told, state.called)
    except ValueError:
        return None
    return Shortfall(wanted, u, told.mass_g - found)


def _grams(told: Told, salinity: float) -> float:
    """Return the mix that gives the salinity found; negative for water that lost salt."""
    if salinity >= told.before:
        return dosing.correct(told.volume_l, told.before, salinity, told.mix_yield).salt_g
    return -dosing.correct(told.volume_l, salinity, told.before, told.mix_yield).salt_g


def short_sentence(state: BatchState, short: Shortfall) -> str:
    """Say what is missing and what that can mean."""
    weighed = "" if state.told is None else f" of the {state.told.mass_g:.0f} g weighed"
    found = "" if state.called is None else f"{state.called:.2f} ppt found, "
    return (
        f"{short.missing_g:.0f} g{weighed} are unaccounted for"
        f" ({found}{short.expected:.2f} ppt expected): look for salt on"
        " the bottom, and check the weight and the volume"
    )


def to(state: BatchState, phase: Phase, why: str) -> list[Happening]:
    """Move to a phase; the event says from where, and why."""
    probability = None if state.probability is None else round(state.probability, 4)
    changed = PhaseChanged(state.phase, phase, why, probability)
    state.phase = phase
    return [Happening(changed)]


def advise(state: BatchState, about: str, given: AdviceGiven) -> list[Happening]:
    """Give advice; its figures are kept up to date, but one event is made of what it is about."""
    known = state.advised == about and bool(state.advice)
    state.advice, state.advised = given.advice, about
    state.advice_salt_g = _amount(given.salt_g)
    state.advice_water_l = _amount(given.water_l)
    return [] if known else [Happening(given)]


def _amount(value: float | None) -> float | None:
    return value if value is not None and value > 0 else None


def _refuse(
    state: BatchState, salinity: float, why: str, settings: BatchSettings
) -> list[Happening]:
    advice = correction(salinity, settings.target_ppt, _vessel(state, settings))
    first, about = [], "outside"
    if disagreement(state):
        first, about = [disagreement(state)], "outside, disagreement"
    short = shortfall(state)
    if short is not None and short.missing_g > 0.0:
        advice = replace(advice, unaccounted_g=round(short.missing_g, 1))
        first, about = [*first, short_sentence(state, short)], f"{about}, short yield"
    if first:
        advice = replace(advice, advice=f"{'; '.join(first)}; only then {advice.advice}")
    state.ready_since_s = None
    changed = [] if state.phase is Phase.OFF_TARGET else to(state, Phase.OFF_TARGET, why)
    return changed + advise(state, about, advice)


def _open(state: BatchState, why: str) -> list[Happening]:
    """Go back to verifying from a verdict that does not hold any more."""
    state.ready_since_s = None
    return [] if state.phase is Phase.VERIFYING else to(state, Phase.VERIFYING, why)


def _leave_open(
    state: BatchState, salinity: float, u: float, waits: Mapping[str, str], settings: BatchSettings
) -> list[Happening]:
    advice = correction(salinity, settings.target_ppt, _vessel(state, settings))
    open_ = undecided(
        state.probability, u, settings.low_ppt, settings.high_ppt, settings.release_confidence
    )
    text = f"{open_}; {advice.advice} to reach {settings.target_ppt:g} ppt"
    if waits:
        text = f"{text}; release waits besides: {'; '.join(waits.values())}"
    probability = None if state.probability is None else round(state.probability, 4)
    given = replace(advice, advice=text, probability=probability)
    return advise(state, ", ".join(["undecided", *waits]), given)


def _vessel(state: BatchState, settings: BatchSettings) -> Vessel:
    """Return the vessel with what is known of this batch's volume and salt."""
    told, vessel = state.told, settings.vessel
    volume_l = vessel.fill_l if told is None else told.volume_l
    mix_yield = vessel.mix_yield if told is None else told.mix_yield
    return Vessel(max(volume_l - state.used_l, 0.1), vessel.capacity_l, mix_yield)
