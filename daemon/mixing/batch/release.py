"""Release a batch or refuse it, with the reason: the judgement of steady water.

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
from daemon.mixing.batch.advice import correction, undecided
from daemon.mixing.batch.ageing import expired_sentence, is_too_old
from daemon.mixing.batch.batch_state import Advice
from daemon.mixing.batch.second_instrument import likely_cause
from daemon.mixing.batch.volume import vessel_of
from daemon.mixing.events import AdviceGiven, Happening, PhaseChanged
from daemon.mixing.seawater import dosing
from daemon.mixing.seawater.conformance import Conformity, accept, conformance_probability
from daemon.mixing.seawater.dosing import MASS_U_SHARE, VOLUME_U_SHARE
from daemon.mixing.seawater.uncertainty import combine

if TYPE_CHECKING:
    from collections.abc import Mapping

    from daemon.mixing.batch.batch_state import BatchSettings, BatchState, SaltAddition

SURE = 2.0


@dataclass(frozen=True, slots=True)
class Shortfall:
    """Salt that the water does not account for.

    Attributes:
        expected: Practical salinity that the mass of mix must give.
        u: Standard uncertainty of the difference from the water.
        missing_g: Salt mix unaccounted for, g; negative when there is too much.
    """

    expected: float
    u: float
    missing_g: float


def judge(state: BatchState, t_s: float, settings: BatchSettings) -> list[Happening]:
    """Release, refuse, or advise what would decide.

    Args:
        state: Changed in place; its `judgement` is renewed.
        t_s: Monotonic time, s.
        settings: What the batch has to be.
    """
    if state.judgement.salinity is None or state.judgement.salinity_u is None:
        return []
    state.judgement.judged_s = t_s
    salinity, u = state.judgement.salinity, state.judgement.salinity_u
    low, high = settings.low_ppt, settings.high_ppt
    verdict, state.judgement.probability = _verdict(state, salinity, u, settings)
    indicated = _indicated(state)
    if verdict == "outside":
        return refuse(state, settings)
    if is_too_old(state, t_s, settings):
        return expire(state, t_s, settings)
    waits = pending(state, settings)
    if verdict == "undecided":
        why = f"{indicated} is not surely within {low:g} to {high:g} ppt"
        return _open(state, why) + _leave_open(state, salinity, u, waits, settings)
    if waits:
        reasons = "; ".join(waits.values())
        text = f"{indicated} is within {low:g} to {high:g} ppt; release waits: {reasons}"
        return _open(state, "release waits") + set_advice(
            state, f"waits: {', '.join(waits)}", AdviceGiven(text)
        )
    # Neither mixing nor a correction makes the water that was released before any younger.
    state.age.released_s = t_s if state.age.released_s is None else state.age.released_s
    state.age.was_released = True
    if state.judgement.released_salinity is None:
        state.judgement.released_salinity = salinity
    state.advice = Advice()
    return move_to(state, Phase.READY, f"{indicated} is within {low:g} to {high:g} ppt")


def _verdict(
    state: BatchState, salinity: float, u: float, settings: BatchSettings
) -> tuple[Conformity, float]:
    """Return what both the last minutes and the whole time since the call say, and how probable.

    The probability is that of the less favourable of the two.
    """
    low, high = settings.low_ppt, settings.high_ppt
    looks = [salinity] if state.judgement.mean is None else [salinity, state.judgement.mean]
    probability = min(conformance_probability(each, u, low, high) for each in looks)
    verdicts = {accept(each, u, low, high, settings.release_confidence) for each in looks}
    return (verdicts.pop() if len(verdicts) == 1 else "undecided"), probability


def expire(state: BatchState, t_s: float, settings: BatchSettings) -> list[Happening]:
    """Lead water that is not proven to be outside, and is older than it may be used, to stale."""
    # The confirmation was of the fresh water.
    state.confirmed_by, state.second = "", None
    if state.phase is Phase.STALE:
        return []
    steps = move_to(state, Phase.STALE, f"older than {settings.use_within_h:g} h")
    return steps + set_advice(state, "stale", AdviceGiven(expired_sentence(state, t_s, settings)))


def pending(state: BatchState, settings: BatchSettings) -> dict[str, str]:
    """Return what release still waits for besides salinity: a sentence each, by a short name."""
    waits = {"place": state.place_hold} if state.place_hold else {}
    span, now_C = settings.temperature_range_C, state.temperature_C
    if span is not None and (now_C is None or not span[0] <= now_C <= span[1]):
        now = "unknown" if now_C is None else f"{now_C:.1f} °C"
        waits["temperature"] = f"temperature is {now}, wanted {span[0]:g} to {span[1]:g} °C"
    if settings.needs_confirmation and not state.confirmed_by:
        waits["confirmation"] = "a person must confirm that the water is clear and the bottom clean"
    if state.second is None and settings.needs_second_reading:
        waits["second reading"] = "a reading of an independent instrument is wanted"
    if disagreement(state):
        waits["disagreement"] = disagreement(state)
    if state.drifted_s is not None:
        waits["rest"] = "salinity is drifting, and must have been at rest for half an hour"
    short = shortfall(state)
    if short is not None and short.missing_g > 0.0 and not settings.release_short:
        waits["short yield"] = short_sentence(state, short)
    return waits


def disagreement(state: BatchState) -> str:
    """Return how the two instruments disagree beyond their uncertainty; empty when they agree.

    Empty too where the uncertainty of the probe is not known; then nothing is judged either.
    """
    if (
        state.second is None
        or state.judgement.salinity is None
        or state.judgement.salinity_u is None
    ):
        return ""
    apart = state.second.salinity - state.judgement.salinity
    allowed = SURE * combine(state.second.u, state.judgement.salinity_u)
    if abs(apart) <= allowed:
        return ""
    cause = likely_cause(apart, state.second.instrument)
    return (
        f"{state.second.instrument} reads {apart:+.2f} ppt from the probe, more than the"
        f" {allowed:.2f} ppt (k=2) that both together may be off: find out which is wrong"
        f"{cause and f' ({cause})'}"
    )


def expected(salt: SaltAddition) -> tuple[float, float]:
    """Return the practical salinity that the mass of mix must give, and its uncertainty.

    Raises:
        ValueError: The mass would give more than the scale of salinity holds.
    """
    outcome = dosing.outcome(
        salt.volume_l, salt.initial_salinity, salt.mass_g, 0.0, salt.salt_content
    )
    rise = outcome.salinity - salt.initial_salinity
    share = combine(salt.salt_content_u / salt.salt_content, MASS_U_SHARE, VOLUME_U_SHARE)
    return outcome.salinity, rise * share


def shortfall(state: BatchState) -> Shortfall | None:
    """Return the salt unaccounted for, or None where the mass and the water agree."""
    salt = state.salt
    if (
        salt is None
        or not salt.comparable
        or state.judgement.salinity is None
        or state.judgement.salinity_u is None
    ):
        return None
    try:
        expected_salinity, expected_u = expected(salt)
        u = combine(expected_u, state.judgement.salinity_u)
        if abs(expected_salinity - state.judgement.salinity) <= SURE * u:
            return None
        dissolved_g = _grams(salt, state.judgement.salinity)
    except ValueError:
        return None
    return Shortfall(expected_salinity, u, salt.mass_g - dissolved_g)


def _grams(salt: SaltAddition, salinity: float) -> float:
    """Return the mix that gives the salinity of the water; negative for water that lost salt."""
    if salinity >= salt.initial_salinity:
        return dosing.correct(
            salt.volume_l, salt.initial_salinity, salinity, salt.salt_content
        ).salt_g
    return -dosing.correct(salt.volume_l, salinity, salt.initial_salinity, salt.salt_content).salt_g


def short_sentence(state: BatchState, short: Shortfall) -> str:
    """Return what is missing and what that can mean."""
    weighed = "" if state.salt is None else f" of the {state.salt.mass_g:.0f} g weighed"
    measured = (
        "" if state.judgement.salinity is None else f"{state.judgement.salinity:.2f} ppt found, "
    )
    return (
        f"{short.missing_g:.0f} g{weighed} are unaccounted for"
        f" ({measured}{short.expected:.2f} ppt expected): look for salt on"
        " the bottom, and check the weight and the volume"
    )


def move_to(state: BatchState, phase: Phase, why: str) -> list[Happening]:
    """Move to a phase; the event says from where, and why."""
    probability = (
        None if state.judgement.probability is None else round(state.judgement.probability, 4)
    )
    state.contradicted_s = None
    changed = PhaseChanged(state.phase, phase, why, probability)
    state.phase = phase
    return [Happening(changed)]


def set_advice(state: BatchState, topic: str, event: AdviceGiven) -> list[Happening]:
    """Set the advice; its figures are updated, but one topic gives one event."""
    unchanged = state.advice.topic == topic and bool(state.advice.text)
    state.advice = Advice(event.advice, topic, _amount(event.salt_g), _amount(event.water_l))
    return [] if unchanged else [Happening(event)]


def _amount(value: float | None) -> float | None:
    return value if value is not None and value > 0 else None


def refuse(state: BatchState, settings: BatchSettings) -> list[Happening]:
    """Lead water that is outside the limits to off target, and advise how to correct it.

    Nothing follows where its salinity is not known.
    """
    salinity = state.judgement.salinity
    if salinity is None:
        return []
    advice = correction(salinity, settings.target_ppt, vessel_of(state, settings))
    first, topic = [], "outside"
    if disagreement(state):
        first, topic = [disagreement(state)], "outside, disagreement"
    short = shortfall(state)
    if short is not None and short.missing_g > 0.0:
        advice = replace(advice, unaccounted_g=round(short.missing_g, 1))
        first, topic = [*first, short_sentence(state, short)], f"{topic}, short yield"
    if first:
        advice = replace(advice, advice=f"{'; '.join(first)}; only then {advice.advice}")
    changed = []
    if state.phase is not Phase.OFF_TARGET:
        limits = f"{settings.low_ppt:g} to {settings.high_ppt:g} ppt"
        changed = move_to(state, Phase.OFF_TARGET, f"{_indicated(state)} is outside {limits}")
    return changed + set_advice(state, topic, advice)


def withdraw(state: BatchState, settings: BatchSettings) -> list[Happening]:
    """Take back the release of water that reads beyond a limit, and is not proven to be.

    Nothing follows where its salinity or the uncertainty of that is not known.
    """
    salinity, u = state.judgement.salinity, state.judgement.salinity_u
    if salinity is None or u is None:
        return []
    limits = f"{settings.low_ppt:g} to {settings.high_ppt:g} ppt"
    why = f"{_indicated(state)} is no longer within {limits}"
    _decide_afresh(state)
    waits = pending(state, settings)
    return _open(state, why) + _leave_open(state, salinity, u, waits, settings)


def reopen(state: BatchState, t_s: float, settings: BatchSettings) -> list[Happening]:
    """Judge refused water afresh that reads inside the limits again."""
    _decide_afresh(state)
    return _open(state, f"{_indicated(state)} is inside the limits again") + judge(
        state, t_s, settings
    )


def reconsider(state: BatchState, t_s: float, settings: BatchSettings) -> list[Happening]:
    """Judge released water afresh, by its present readings alone and all that is pending."""
    _decide_afresh(state)
    return judge(state, t_s, settings)


def _decide_afresh(state: BatchState) -> None:
    """Let no reading from before decide."""
    state.judgement.mean, state.judgement.mean_bins = None, 0


def _indicated(state: BatchState) -> str:
    salinity, u = state.judgement.salinity, state.judgement.salinity_u
    return "" if salinity is None or u is None else f"{salinity:.2f} ± {2 * u:.2f} ppt (k=2)"


def _open(state: BatchState, why: str) -> list[Happening]:
    """Go back to verifying from a verdict that no longer holds."""
    return [] if state.phase is Phase.VERIFYING else move_to(state, Phase.VERIFYING, why)


def _leave_open(
    state: BatchState, salinity: float, u: float, waits: Mapping[str, str], settings: BatchSettings
) -> list[Happening]:
    advice = correction(salinity, settings.target_ppt, vessel_of(state, settings))
    open_ = undecided(
        state.judgement.probability,
        u,
        settings.low_ppt,
        settings.high_ppt,
        settings.release_confidence,
    )
    text = f"{open_}; {advice.advice} to reach {settings.target_ppt:g} ppt"
    if waits:
        text = f"{text}; release waits besides: {'; '.join(waits.values())}"
    probability = (
        None if state.judgement.probability is None else round(state.judgement.probability, 4)
    )
    event = replace(advice, advice=text, probability=probability)
    # A drift comes and goes; it is no news each time.
    topic = ", ".join(["undecided", *(each for each in waits if each != "rest")])
    return set_advice(state, topic, event)
