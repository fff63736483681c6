"""The guided test for compensation: a sample at room temperature, about 5 °C away, and back.

It says what to do, follows the readings, and takes a plateau as soon as the sample is at rest
where it must be; it asks for nothing that the readings do not show.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from enum import StrEnum

from daemon.mixing.probe.temperature_response import (
    FEWEST_READINGS,
    Indication,
    Plateau,
    Response,
    ResponseVerdict,
    judge_response,
    plateau_of,
)

REST_S = 90.0
"""Length of a plateau; our own choice, some time constants of a slow thermometer."""
REST_C_PER_MIN = 0.3
"""A sample in the open that is 5 °C from the room moves by some 0.15 °C a minute (estimate)."""
AWAY_C = 4.0
"""From the first temperature, from which the second plateau is taken; 5 °C is the aim."""
BACK_SHARE = 0.3
"""Of that difference which may be left at the third; our own choice."""
STEP_LIMIT_S = 2700.0
"""A step takes 10 to 20 minutes; after this it ends without a plateau.  Our own choice."""
PLATEAUS = 3
COEFFICIENT_U = 0.1
"""% per °C: what a rule that is not quite linear differs from one that is; our own choice."""


class WarmingStep(StrEnum):
    """Where the test is."""

    FIRST = "first"
    AWAY = "away"
    BACK = "back"
    OVER = "over"


INSTRUCTIONS = {
    WarmingStep.FIRST: (
        "Unplug what runs on mains in the water, then take the probe out. Fill half a litre of"
        " mixed seawater into a clean vessel, stand the probe in it without bubbles on the cell,"
        " stir, and leave it at room temperature. The service must not judge a batch by this probe"
        " meanwhile."
    ),
    WarmingStep.AWAY: (
        "Stand the vessel in warm, not hot, water (or in cold water) until the sample is about 5 °C"
        " away from {first:.1f} °C, that is at {warm:.1f} or {cold:.1f} °C. Keep stirring; wipe"
        " bubbles off the cell."
    ),
    WarmingStep.BACK: (
        "Bring the sample back to about {first:.1f} °C, standing the vessel in water of that"
        " temperature. Keep stirring."
    ),
    WarmingStep.OVER: "Rinse the probe and put it back.",
}


@dataclass(slots=True)
class WarmingTest:
    """One run of the test; time passes in the readings.

    Attributes:
        reference_C: What the instrument refers its values to, if it does, °C.
        plateaus: Taken so far.
        step: Where it is.
    """

    reference_C: float = 25.0
    plateaus: list[Plateau] = field(default_factory=list)
    step: WarmingStep = WarmingStep.FIRST
    _window: list[Indication] = field(default_factory=list)
    _since_s: float | None = None

    @property
    def instruction(self) -> str:
        """What to do in this step."""
        first_C = self.plateaus[0].temperature_C if self.plateaus else math.nan
        return INSTRUCTIONS[self.step].format(first=first_C, warm=first_C + 5.0, cold=first_C - 5.0)

    def take(self, reading: Indication) -> bool:
        """Follow one reading; say whether a step has ended with it.

        Args:
            reading: In order of time; one of no conductivity at all is passed over.
        """
        if self.step is WarmingStep.OVER or not reading.conductivity_mS_cm > 0.0:
            return False
        self._since_s = reading.t_s if self._since_s is None else self._since_s
        self._window.append(reading)
        while reading.t_s - self._window[1 if self._window[1:] else 0].t_s >= REST_S and (
            len(self._window) > FEWEST_READINGS
        ):
            del self._window[0]
        if self._is_at_rest() and self._is_where_it_must_be():
            self.plateaus.append(plateau_of(self._window))
            self._begin(_NEXT[self.step])
            return True
        if reading.t_s - self._since_s > STEP_LIMIT_S:
            self._begin(WarmingStep.OVER)
            return True
        return False

    def verdict(self) -> ResponseVerdict:
        """Return what the plateaus say so far."""
        if len(self.plateaus) < PLATEAUS:
            missing = "the sample was not at rest long enough at each of the three temperatures"
            return ResponseVerdict(Response.UNDECIDED, lacks=(missing,))
        return judge_response(self.plateaus, self.reference_C)

    def progress(self) -> str:
        """Return in a sentence what this step waits for."""
        if not self._window:
            return "waiting for a reading"
        last = self._window[-1]
        now = f"{last.conductivity_mS_cm:.4g} mS/cm at {last.temperature_C:.2f} °C"
        if not self._is_where_it_must_be():
            away = last.temperature_C - self.plateaus[0].temperature_C
            return f"{now}; {away:+.1f} °C from the first temperature"
        rate = self._rate_C_per_min()
        if rate is not None and abs(rate) > REST_C_PER_MIN:
            return f"{now}; still moves by {rate:+.1f} °C a minute"
        rest_s = last.t_s - self._window[0].t_s
        return f"{now}; at rest for {rest_s:.0f} of {REST_S:.0f} s"

    def _begin(self, step: WarmingStep) -> None:
        self.step, self._since_s = step, None
        self._window.clear()

    def _is_at_rest(self) -> bool:
        window = self._window
        if len(window) < FEWEST_READINGS or window[-1].t_s - window[0].t_s < REST_S * 0.9:
            return False
        rate = self._rate_C_per_min()
        return rate is not None and abs(rate) <= REST_C_PER_MIN

    def _rate_C_per_min(self) -> float | None:
        if len(self._window) < FEWEST_READINGS:
            return None
        return plateau_of(self._window).temperature_C_per_min

    def _is_where_it_must_be(self) -> bool:
        if self.step is WarmingStep.FIRST or not self._window:
            return True
        first_C, now_C = self.plateaus[0].temperature_C, self._window[-1].temperature_C
        if self.step is WarmingStep.AWAY:
            return abs(now_C - first_C) >= AWAY_C
        step_C = self.plateaus[1].temperature_C - first_C
        return abs(now_C - first_C) <= BACK_SHARE * abs(step_C)


_NEXT = {
    WarmingStep.FIRST: WarmingStep.AWAY,
    WarmingStep.AWAY: WarmingStep.BACK,
    WarmingStep.BACK: WarmingStep.OVER,
}


def verdict_sentences(verdict: ResponseVerdict, configured_percent_per_C: float) -> list[str]:
    """Return the verdict in sentences, and whether the configuration agrees.

    Args:
        verdict: Of the test.
        configured_percent_per_C: What the configuration undoes, % per °C; 0 for "none".
    """
    said = [_response(verdict)]
    if verdict.response is Response.UNDECIDED:
        return [*said, *(f"Missing: {each}." for each in verdict.lacks)]
    return [*said, _comparison(verdict, configured_percent_per_C)]


def _response(verdict: ResponseVerdict) -> str:
    figures = ""
    if verdict.slope_percent_per_C is not None and verdict.raw_percent_per_C is not None:
        figures = (
            f" (indicated conductivity changed by {verdict.slope_percent_per_C:.2f} % per °C; raw"
            f" values of this water change by {verdict.raw_percent_per_C:.2f})"
        )
    if verdict.response is Response.RAW:
        return f"The instrument reports raw conductivity{figures}."
    if verdict.response is Response.COMPENSATED and verdict.percent_per_C is not None:
        u = verdict.u_percent_per_C
        interval = "" if u is None else f" ± {2.0 * u:.2f}"
        return (
            f"The instrument compensates with about {verdict.percent_per_C:.2f}{interval}"
            f" % per °C{figures}. To which temperature it refers, usually"
            " 25 °C, this test cannot tell: see its manual."
        )
    return f"It cannot be told yet whether the instrument compensates{figures}."


def _comparison(verdict: ResponseVerdict, configured: float) -> str:
    configured_words = '"none"' if configured == 0.0 else f"{configured:g} % per °C"
    if _agrees(verdict, configured):
        return f"The configuration says compensation: {configured_words}, which agrees."
    if verdict.response is Response.RAW:
        return (
            f"The configuration says {configured_words}, which is wrong: set compensation ="
            ' "none", and calibrate again.'
        )
    coefficient = verdict.percent_per_C
    near = "" if coefficient is None else f" (near {coefficient:.1f})"
    return (
        f"The configuration says {configured_words}, which does not agree: see the instrument's"
        " manual for its coefficient and its reference temperature, set compensation ="
        f" {{ linear_percent_per_C = ..., reference_C = ... }}{near}, or switch the"
        " instrument's compensation off, and calibrate again."
    )


def _agrees(verdict: ResponseVerdict, configured: float) -> bool:
    """Return whether the verdict is what is configured; not where its uncertainty is unknown."""
    if verdict.response is Response.RAW or configured == 0.0:
        return verdict.response is Response.RAW and configured == 0.0
    coefficient, u = verdict.percent_per_C, verdict.u_percent_per_C
    if coefficient is None or u is None:
        return False
    return abs(coefficient - configured) <= 2.0 * math.hypot(u, COEFFICIENT_U)
