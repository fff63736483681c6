"""A station that watches a tub: rows in, phases out, and what may be known only from outside."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from statistics import median

from daemon.entries import Event, Instant, Kind, Phase, Reading, Sample
from daemon.mixing.batch.advice import Vessel
from daemon.mixing.batch.batch_state import BatchSettings
from daemon.mixing.seawater.uncertainty import ProbeUncertainty
from daemon.mixing.station.station import ReservoirSettings, Station
from tests.campaigns.audit.tub import Tub
from tests.parts.events import facts_in
from tests.parts.snapshots import snapshot_in
from tests.parts.weights import weights

RESERVOIR, PROBE = "tank", "ct"
START = datetime(2026, 1, 5, 9, 0, tzinfo=UTC)
LOW, HIGH, TARGET = 33.0, 35.0, 34.0
CONFIDENCE = 0.95
RECENT_S = 330.0
"""Of readings whose median stands for the value that is judged; judgement keeps as many."""
VALUE_PPT = 0.01
"""Between that median and the level that the station judges."""
ROUNDED_U = 0.0025
"""What is rounded off half of an expanded uncertainty of two decimals."""
MIXING = (Phase.IDLE, Phase.BLANK, Phase.DISSOLVING)
_STATED = re.compile(r"(\d+\.\d+) ± (\d+\.\d+) ppt")


@dataclass(frozen=True)
class Call:
    """A phase that was called.

    Attributes:
        phase: Which.
        row: Number of the row at which it was.
        now: True practical salinity then.
        final: The same once all is dissolved.
        value: Median of the last readings, practical salinity.
        u: Last standard uncertainty of them.
        probability: Of being within the limits, as the event states it; NaN where it does not.
        stated: Value and expanded uncertainty in the words of the event; None where not said.
    """

    phase: Phase
    row: int
    now: float
    final: float
    value: float
    u: float
    probability: float
    stated: tuple[float, float] | None

    @property
    def proven_outside(self) -> bool:
        """Whether the value is beyond a limit, and surely enough."""
        values = [(self.value, self.u)]
        if self.stated is not None:
            values.append((self.stated[0], self.stated[1] / 2.0))
        return all(_proven(value, u) for value, u in values)

    @property
    def truly_inside(self) -> bool:
        """Whether the water is within the limits, now and once all is dissolved."""
        return LOW <= self.now <= HIGH and LOW <= self.final <= HIGH


def _proven(value: float, u: float) -> bool:
    """Say whether a value is beyond a limit, with the confidence stated, both but for rounding."""
    beyond = max(LOW - value, value - HIGH)
    away = value + math.copysign(VALUE_PPT, value - TARGET)
    surely = inside(away, max(u - ROUNDED_U, ROUNDED_U)) <= 1.0 - CONFIDENCE
    return beyond > -VALUE_PPT and surely


def inside(value: float, u: float) -> float:
    """Return the probability that the truth is within the limits, by a normal distribution."""

    def below(limit: float) -> float:
        return 0.5 * math.erfc((value - limit) / (u * math.sqrt(2.0)))

    return below(HIGH) - below(LOW)


@dataclass
class Watch:
    """A tub and its station.

    Attributes:
        tub: The truth.
        worth: Uncertainty of the probe, as the station has it: % of conductivity, and °C.
        fill_l: Water in the vessel as its owner believes, L.
        period_s: Between two rows.
        gaps: Numbers of the rows whose replies are missing.
        calls: Phases called, in order.
        steady_row: Row at which salinity was first called steady; None before.
    """

    tub: Tub
    worth: tuple[float, float]
    fill_l: float
    period_s: float
    gaps: AbstractSet[int] = frozenset()
    row: int = 0
    calls: list[Call] = field(default_factory=list)
    steady_row: int | None = None
    u: float = math.nan
    station: Station = field(init=False)
    _recent: list[tuple[float, float]] = field(default_factory=list)

    def __post_init__(self) -> None:
        """Start the station."""
        batch = BatchSettings(
            target_ppt=TARGET,
            tolerance_ppt=(HIGH - LOW) / 2.0,
            release_confidence=CONFIDENCE,
            vessel=Vessel(self.fill_l, 1.5 * self.fill_l, 0.881),
        )
        probes = {PROBE: ProbeUncertainty(*self.worth)}
        settings = ReservoirSettings(RESERVOIR, batch=batch, probes=probes)
        self.station = Station({RESERVOIR: settings}, weights())

    @property
    def phase(self) -> Phase:
        """The phase called last."""
        return self.calls[-1].phase if self.calls else Phase.IDLE

    def called(self, phase: Phase) -> list[Call]:
        """Return the calls of one phase."""
        return [each for each in self.calls if each.phase is phase]

    def advised(self) -> tuple[float, float]:
        """Return the whole of what is advised: g of mix, and L of water."""
        picture = snapshot_in(self.station, RESERVOIR, self._now())
        salt, water = picture["advice_salt_g"], picture["advice_water_l"]
        return (
            float(salt) if isinstance(salt, int | float) else 0.0,
            float(water) if isinstance(water, int | float) else 0.0,
        )

    def wait(self, seconds: float) -> None:
        """Let rows come for so many seconds."""
        for _ in range(math.ceil(seconds / self.period_s)):
            self._take()

    def until(self, done: Callable[[], bool], longest_s: float) -> bool:
        """Let rows come until a condition holds; return whether it came to hold."""
        for _ in range(math.ceil(longest_s / self.period_s)):
            if done():
                return True
            self._take()
        return done()

    def pour(self, salt_g: float, water_g: float, over_s: float) -> None:
        """Pour evenly, with rows coming all the while."""
        steps = max(math.ceil(over_s / self.period_s), 1)
        for _ in range(steps):
            self.tub.pour(salt_g / steps, water_g / steps)
            self._take()

    def _now(self) -> Instant:
        t_s = self.row * self.period_s
        return Instant(START + timedelta(seconds=t_s), t_s, "boot-1")

    def _take(self) -> None:
        conductivity, temperature = self.tub.advance(self.period_s)
        self.row += 1
        missing = self.row in self.gaps
        sample = Sample(
            RESERVOIR,
            PROBE,
            self._now(),
            None if missing else conductivity,
            None if missing else temperature,
            fault="no reply" if missing else "",
        )
        for entry in self.station.advance(sample):
            if isinstance(entry, Reading):
                self._remember(entry)
            elif entry.kind is Kind.STABILISED and self.steady_row is None:
                self.steady_row = self.row
            elif entry.kind is Kind.PHASE:
                self.calls.append(self._call(entry))

    def _remember(self, reading: Reading) -> None:
        t_s = self.row * self.period_s
        if reading.salinity is not None and reading.salinity_u is not None:
            self.u = reading.salinity_u
            self._recent.append((t_s, reading.salinity))
        while self._recent and self._recent[0][0] < t_s - RECENT_S:
            del self._recent[0]

    def _call(self, event: Event) -> Call:
        probability = facts_in(event).get("probability")
        said = _STATED.search(str(facts_in(event).get("why", "")))
        return Call(
            Phase(str(facts_in(event)["to"])),
            self.row,
            self.tub.salinity,
            self.tub.final,
            median([value for _, value in self._recent] or [math.nan]),
            self.u,
            float(probability) if isinstance(probability, int | float) else math.nan,
            None if said is None else (float(said[1]), float(said[2])),
        )
