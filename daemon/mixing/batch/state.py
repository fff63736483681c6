"""What a batch has to be, and where it stands: plain data for `batch` and `release`."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from daemon.entries import Phase
from daemon.mixing.batch.advice import Vessel

STEADY = (Phase.VERIFYING, Phase.READY, Phase.OFF_TARGET, Phase.STALE)
WITH_SALT = (Phase.DISSOLVING, *STEADY)
ENDED_KEPT = 20


@dataclass(frozen=True, slots=True)
class BatchSettings:
    """What a batch in one reservoir has to be.

    Attributes:
        target_ppt: Practical salinity wanted.
        tolerance_ppt: Allowed to either side.
        use_within_h: Hours after release until it is stale.
        warn_before_h: Hours before that from which it counts as ageing.
        settle_within_min: Minutes after which dissolving is overdue.
        release_confidence: Probability of being within tolerance that release needs.
        blank_max_ppt: Water below it is purified water.
        purified_max_uS_cm: Conductivity at 25 °C above which purified water is impure.
        temperature_range_C: Where the water must be for release; None for anywhere.
        needs_confirmation: Whether somebody must say that water and bottom are clear.
        needs_second_reading: Whether another instrument must agree.
        release_short: Whether to release although salt is unaccounted for.
        remix_every_h: Hours after which standing water is advised to be mixed again.
        homogeneity_ppt: How far, ±, steady water elsewhere in the vessel may be from the
            water at the probe, practical salinity; our own choice, the same as "steady" allows.
        vessel: What it is mixed in, for advice.
    """

    target_ppt: float = 34.0
    tolerance_ppt: float = 1.0
    use_within_h: float = 24.0
    warn_before_h: float = 4.0
    settle_within_min: float = 30.0
    release_confidence: float = 0.95
    blank_max_ppt: float = 1.0
    purified_max_uS_cm: float = 30.0
    temperature_range_C: tuple[float, float] | None = None
    needs_confirmation: bool = False
    needs_second_reading: bool = False
    release_short: bool = False
    remix_every_h: float = 24.0
    homogeneity_ppt: float = 0.1
    vessel: Vessel = field(
        default_factory=lambda: Vessel(fill_l=180.0, capacity_l=220.0, mix_yield=0.881)
    )

    @property
    def low_ppt(self) -> float:
        """Lower limit of release, practical salinity."""
        return self.target_ppt - self.tolerance_ppt

    @property
    def homogeneity_u(self) -> float:
        """Standard uncertainty of the vessel's salinity by where the probe is.

        Source: JCGM 100:2008, 4.3.7, limits with nothing known between them.
        """
        return self.homogeneity_ppt / math.sqrt(3.0)

    @property
    def high_ppt(self) -> float:
        """Upper limit of release, practical salinity."""
        return self.target_ppt + self.tolerance_ppt


@dataclass(slots=True)
class Told:
    """What somebody said of the salt that went in.

    Attributes:
        mass_g: Dry mix, g.
        volume_l: Water in the vessel before the salt, L, heel included.
        before: Practical salinity of that water.
        mix_yield: Grams of sea salt per gram of mix, as far as known.
        yield_u: Its standard uncertainty.
        lot: Name of the lot; empty when not told.
        taken_g: Mix that the books of the lot were lessened by, g.
        holds: Whether it still says how much salt there must be.
        teaches: Whether nothing has come or gone since, so that it shows what the lot yields.
        stood_at: Steady practical salinity that it gave before it was corrected; None when none.
        stood_u: Its standard uncertainty; None when nobody knows it.
    """

    mass_g: float
    volume_l: float
    before: float
    mix_yield: float
    yield_u: float
    lot: str = ""
    taken_g: float = 0.0
    holds: bool = True
    teaches: bool = True
    stood_at: float | None = None
    stood_u: float | None = None


@dataclass(slots=True)
class SecondReading:
    """What an independent instrument said.

    Attributes:
        salinity: Practical salinity.
        u: Its standard uncertainty.
        instrument: What it was, in the reader's words.
    """

    salinity: float
    u: float
    instrument: str


@dataclass(slots=True)
class BatchState:
    """Where the batch stands; plain data.

    Attributes:
        phase: The phase.
        id: Of the batch; empty when none is known.
        day: Day of the last id, and `count` how many it has had.
        count: See `day`.
        ended: How the last batches ended, by id.
        lot: The lot of dry mix that was used last, for its stock; empty when none was told.
        rest_level: Salinity of the water before anything was added.
        peak: Highest level since the batch began.
        rests_at: Where salinity rests while no batch is known; None before it does.
        fallen_since_s: Since when it is lower, which may be a bubble, s; None while it is not.
        salted_since_s: When dissolving began, s; None once it has been learned from.
        remaining: How far salinity still has to go by the last forecast; None without.
        called: Salinity of the last `stabilised` call, or of the last minutes since.
        called_u: Its standard uncertainty: of the probe, of scatter and of the place of the
            probe; None while no reading tells what the probe is worth, and then nothing is judged.
        noise_u: The part of it that is scatter; None before a call.
        mean: Salinity over the whole time since that call; None before a look after it.
        mean_bins: From how many bins of the level.
        temperature_C: Of the water, at the last reading that could be used.
        probability: Of being within tolerance.
        judged_s: When that was last worked out, s.
        ready_since_s: When it was released, s; None when it is not.
        aged_from_s: When its water was first released, or released after somebody
            asked to verify it again, s; None before.
        was_ready: Whether it has been released at any time.
        was_stale: Whether it has been stale since somebody last vouched for it.
        told: What was said of the salt.
        confirmed_by: Who said that water and bottom are clear.
        second: What another instrument said.
        used_l: Litres taken since release.
        impure: Whether the purified water has been told impure.
        remix_told_s: When it was last advised to mix standing water, s.
        advice: The sentence in force; empty when there is none.
        advised: What that was about, so that it is not said twice.
        advice_salt_g: Dry mix that it says to add, g; None when none.
        advice_water_l: Purified water that it says to add, L; None when none.
    """

    phase: Phase = Phase.IDLE
    id: str = ""
    day: str = ""
    count: int = 0
    ended: dict[str, str] = field(default_factory=dict)
    lot: str = ""
    rest_level: float | None = None
    peak: float = 0.0
    rests_at: float | None = None
    fallen_since_s: float | None = None
    salted_since_s: float | None = None
    remaining: float | None = None
    called: float | None = None
    called_u: float | None = None
    noise_u: float | None = None
    mean: float | None = None
    mean_bins: int = 0
    temperature_C: float | None = None
    probability: float | None = None
    judged_s: float | None = None
    ready_since_s: float | None = None
    aged_from_s: float | None = None
    was_ready: bool = False
    was_stale: bool = False
    told: Told | None = None
    confirmed_by: str = ""
    second: SecondReading | None = None
    used_l: float = 0.0
    impure: bool = False
    remix_told_s: float | None = None
    advice: str = ""
    advised: str = ""
    advice_salt_g: float | None = None
    advice_water_l: float | None = None

    def forget_advice(self) -> None:
        """No advice is in force any more."""
        self.advice, self.advised = "", ""
        self.advice_salt_g, self.advice_water_l = None, None
