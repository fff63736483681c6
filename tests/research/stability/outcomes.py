"""All that the detector does on one batch, as far as anything is promised of it.

Beside wrong, missed and late (`verdicts`) these are: water that is never called though it has been
steady for long and nothing forbids a call; disturbances that were none; the first call; calls while
the pump stands, where a pump input says so.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from daemon.mixing.stability.detector import Disturbed, Recovered, Stabilised, Stability
from tests.parts.weights import weights
from tests.research.stability.detector_run import detector_times_s, readings, run_station
from tests.research.stability.probe_model import Trace
from tests.research.stability.verdicts import Verdict, judge

FAR_OFF = 0.15
"""From here on a wrong call is far from the final salinity, practical salinity."""

STEADY_S = 5400.0
"""Water over for so long, read all the while, must have been called: 90 min."""

GAP_S = 60.0
"""Readings further apart than this, or so many of them lost in a row, are not continuous.

Three times the interval between readings is let pass, where that is longer."""


@dataclass(slots=True)
class Outcome:
    """What came of one batch, without a pump input or with one.

    Attributes:
        verdict: Right, wrong, missed or late.
        seed: Of the batch.
        origin: Which water and which instrument, where there are several.
        off: How far from the final salinity the salinities of wrong calls were stated.
        misstated: How far those of calls at the right time were.
        first_wrong: Whether the first call was wrong; None without any call.
        never_free: Whether steady water was not called though no interlock ever blocked.
        never_steady: Whether it was not called whether or not one blocked now and then.
        disturbed: Disturbances while mixing was over and stayed so.
        taken_back: How many of them were taken back, the call being reinstated.
        stable_h: Hours for which a right call stood.
        while_standing: Calls while the pump stood.
        wrong_standing: How many of them were wrong.
    """

    verdict: Verdict
    seed: int
    origin: tuple[str, str]
    off: list[float] = field(default_factory=list)
    misstated: list[float] = field(default_factory=list)
    first_wrong: bool | None = None
    never_free: bool = False
    never_steady: bool = False
    disturbed: int = 0
    taken_back: int = 0
    stable_h: float = 0.0
    while_standing: int = 0
    wrong_standing: int = 0

    @property
    def far(self) -> bool:
        """Whether a wrong call was far off."""
        return any(off > FAR_OFF for off in self.off)


@dataclass(slots=True)
class Spell:
    """A time through which something has lasted.

    Attributes:
        since_s: When it began; None while it does not.
        longest_s: The longest so far.
    """

    since_s: float | None = None
    longest_s: float = 0.0

    def go_on(self, t_s: float, *, lasts: bool) -> None:
        """Follow it to a time, at which it lasts or does not."""
        if not lasts:
            self.since_s = None
            return
        if self.since_s is None:
            self.since_s = t_s
        self.longest_s = max(self.longest_s, t_s - self.since_s)


def outcome(
    trace: Trace, origin: tuple[str, str] = ("", ""), *, with_pump: bool = False
) -> Outcome:
    """Run the detector over a trace, armed when salt arrives, and return what came of it."""
    detector, found, calls_s = Stability(), Outcome(_NONE, trace.seed, origin), list[float]()
    free, steady = Spell(), Spell()
    armed, standing, blocked, newest = False, False, True, -1
    last_s, read_s = float(trace.t_s[0]), -1e9
    rows = zip(
        trace.t_s.tolist(), detector_times_s(trace), readings(trace, with_pump=with_pump),
        trace.over.tolist(), trace.final.tolist(), trace.flowing.tolist(), strict=True,
    )  # fmt: skip
    most_gap_s = max(GAP_S, 3.0 * trace.every_s)
    for t_s, own_s, reading, over, final, flowing in rows:
        if not armed and t_s >= trace.arm_s:
            detector.arm(own_s)
            armed = True
        # A right call stands until mixing is no longer over, whatever the detector thinks then.
        standing = standing and over
        if standing and detector.settled and t_s - last_s < most_gap_s:
            found.stable_h += (t_s - last_s) / 3600.0
        for each in detector.advance(own_s, reading, weights()):
            if isinstance(each, Stabilised):
                calls_s.append(t_s)
                standing = over
                off = abs(each.salinity - final)
                (found.misstated if over else found.off).append(off)
                found.first_wrong = not over if found.first_wrong is None else found.first_wrong
                found.while_standing += not flowing
                found.wrong_standing += not flowing and not over
            elif isinstance(each, Disturbed) and standing:
                found.disturbed += 1
            elif isinstance(each, Recovered):
                # Whoever is offered it takes it, as the station does where nothing else is known.
                detector.reinstate()
                found.taken_back += standing
                if not over:
                    calls_s.append(t_s)
                    found.off.append(abs(each.level - final))
        if detector.cells.index and detector.cells.index[-1] != newest:
            newest = detector.cells.index[-1]
            blocked = armed and not detector.settled and bool(detector.blocked_by())
        read_s = t_s if reading.salinity is not None else read_s
        gone = max(t_s - read_s, t_s - last_s) > most_gap_s
        waits = armed and over and not detector.settled and not gone
        steady.go_on(t_s, lasts=waits)
        free.go_on(t_s, lasts=waits and not blocked)
        last_s = t_s
    found.never_free, found.never_steady = (
        each.longest_s >= STEADY_S for each in (free, steady)
    )  # fmt: skip
    found.verdict = judge(trace.kind, calls_s, trace.t_s, trace.over, trace.over_s)
    return found


def station_outcome(trace: Trace, origin: tuple[str, str] = ("", "")) -> Outcome:
    """Return right, wrong, missed and late of the whole station on a trace, and nothing else."""
    verdict = judge(trace.kind, run_station(trace), trace.t_s, trace.over, trace.over_s)
    return Outcome(verdict, trace.seed, origin)


_NONE = Verdict("", false=False, missed=None, delay_min=None)
