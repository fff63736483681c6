"""What a batch has to be, and what is known of the present one: plain data."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from daemon.entries import Phase
from daemon.mixing.batch.advice import Vessel

if TYPE_CHECKING:
    from datetime import datetime

STEADY = (Phase.VERIFYING, Phase.READY, Phase.OFF_TARGET, Phase.STALE)
WITH_SALT = (Phase.DISSOLVING, *STEADY)
ENDED_KEPT = 20


@dataclass(frozen=True, slots=True)
class BatchSettings:
    """What a batch in one reservoir has to be.

    Attributes:
        target_ppt: Practical salinity to reach.
        tolerance_ppt: Allowed to either side.
        use_within_h: Hours after release until it is stale.
        warn_before_h: Hours before that from which it counts as ageing.
        settle_within_min: Minutes after which dissolving is overdue.
        release_confidence: Probability of being within tolerance that release needs.
        blank_max_ppt: Water below it is purified water.
        purified_max_uS_cm: Conductivity at 25 °C above which purified water is impure.
        temperature_range_C: Where the water must be for release; None for anywhere.
        needs_confirmation: Whether a person must confirm that water and bottom are clear.
        needs_second_reading: Whether another instrument must agree.
        release_short: Whether to release although salt is unaccounted for.
        remix_every_h: Hours of standing after which the advice is to mix the water again.
        undecided_after_min: Minutes of verifying after which a person is to decide it.
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
    undecided_after_min: float = 30.0
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
class SaltAddition:
    """The salt that went into the batch, as it was reported.

    Attributes:
        mass_g: Salt mix, g.
        volume_l: Water in the vessel before the salt, L, heel included.
        initial_salinity: Practical salinity of that water.
        salt_content: Grams of sea salt per gram of mix, as far as known.
        salt_content_u: Its standard uncertainty.
        lot: Name of the lot; empty when not recorded.
        booked_g: Mix that was subtracted from the stock of the lot, g.
        comparable: Whether the salinity that it must give can be compared with the water.
        undisturbed: Whether no salt or water has come or gone since, so that the salt content
            of the lot can be learned from it.
        steady_salinity: Steady practical salinity that it gave before a correction; None
            without one.
        steady_u: Its standard uncertainty; None when it is not known.
    """

    mass_g: float
    volume_l: float
    initial_salinity: float
    salt_content: float
    salt_content_u: float
    lot: str = ""
    booked_g: float = 0.0
    comparable: bool = True
    undisturbed: bool = True
    steady_salinity: float | None = None
    steady_u: float | None = None


@dataclass(slots=True)
class SecondReading:
    """The reading of an independent instrument.

    Attributes:
        salinity: Practical salinity.
        u: Its standard uncertainty.
        instrument: Its name, in the reader's words.
    """

    salinity: float
    u: float
    instrument: str


@dataclass(slots=True)
class WaterLevels:
    """Levels of salinity from which salt, a refill and a fall are recognised.

    Attributes:
        before_salt: Salinity of the water before anything was added; None before any.
        peak: Highest level since the batch began.
        idle: Where salinity rests while there is no batch; None before it does.
        below_idle_since_s: Since when it is lower, which may be a bubble, s; None while it is not.
        thinned_since_s: Since when water in which salt still goes into solution is below half of
            its peak, s; None while it is not.
        ended: Salinity of the water of a batch that was ended and may still be there; None
            where none was.
    """

    before_salt: float | None = None
    peak: float = 0.0
    idle: float | None = None
    below_idle_since_s: float | None = None
    thinned_since_s: float | None = None
    ended: float | None = None


@dataclass(slots=True)
class Volume:
    """How much water is there by estimate.

    Attributes:
        litres: Where water was seen to come, L, less what was used since; None as filled or
            recorded.
        salinity: Practical salinity that it had then, or at the last `stabilised` event.
        thinned_from: Salinity before water that comes now; None while none comes.
    """

    litres: float | None = None
    salinity: float | None = None
    thinned_from: float | None = None


@dataclass(slots=True)
class Judgement:
    """The steady salinity that is judged, and the result.

    Attributes:
        salinity: Of the last `stabilised` event, then of the last minutes, renewed each minute.
        salinity_u: Its standard uncertainty: of the probe, of scatter and of the place of the
            probe; None while no reading has an uncertainty, and then nothing is judged.
        noise_u: The part of it that is scatter; None before the event.
        mean: Salinity over the whole time since the event, or since a drift, while it is not
            decided; None before the first look after it.
        mean_bins: Number of bins of the level in that mean.
        probability: Of being within tolerance.
        judged_s: Time of the last judgement, s; None where steady water is to be judged at once.
        minutes: Salinity of each of the last minutes, oldest first.
        minute_s: When the last of them ended, s; None before any.
        released_salinity: Of the water at its first release since salt or water last came, or
            since a person had it verified again; None before.
        called_salinity: At the last `stabilised` event; None before, and since a drift.
    """

    salinity: float | None = None
    salinity_u: float | None = None
    noise_u: float | None = None
    mean: float | None = None
    mean_bins: int = 0
    probability: float | None = None
    judged_s: float | None = None
    minutes: list[float] = field(default_factory=list)
    minute_s: float | None = None
    released_salinity: float | None = None
    called_salinity: float | None = None


@dataclass(slots=True)
class Age:
    """Release and age of the water.

    Attributes:
        released_s: When its water was first released, or first after a person had it verified
            again, s; None before.  In whichever phase it is now, its age counts from then.
        was_released: Whether it has been released at any time.
        remix_advised_s: When the advice was last to mix standing water, s.
    """

    released_s: float | None = None
    was_released: bool = False
    remix_advised_s: float | None = None


@dataclass(slots=True)
class Advice:
    """The advice in force.

    Attributes:
        text: One sentence; empty when there is none.
        topic: What it is about, so that one topic gives one event.
        salt_g: Salt mix to add, g; None for none.
        water_l: Purified water to add, L; None for none.
    """

    text: str = ""
    topic: str = ""
    salt_g: float | None = None
    water_l: float | None = None


@dataclass(slots=True)
class Suspension:
    """A batch whose probe may not be in its water.

    Attributes:
        since_s: Since when, s.
        why: What was read, as a sentence without its full stop.
        was_ready: Whether it was released then.
        answered_by: Who said that the probe is out of the water; empty while nobody did.
        fell: Whether its salinity fell at once, and nobody knows why.
    """

    since_s: float
    why: str
    was_ready: bool = False
    answered_by: str = ""
    fell: bool = False


@dataclass(slots=True)
class Standing:
    """What a batch stood as when its salinity fell, to be reinstated.

    Attributes:
        phase: The phase.
        judgement: Of the steady salinity.
        advice: In force.
        confirmed_by: As in the batch.
        second: Likewise.
        contradicted_s: Likewise.
        drifted_s: Likewise.
        dissolving_since_s: Likewise.
        dissolving_why: Likewise.
        remaining: Likewise.
        salt: Likewise.
        thinned_from: Of its volume.
        limits: Lower and upper limit of release, and the probability that release needs.
    """

    phase: Phase
    judgement: Judgement
    advice: Advice
    confirmed_by: str
    second: SecondReading | None
    contradicted_s: float | None
    drifted_s: float | None
    dissolving_since_s: float | None
    dissolving_why: str
    remaining: float | None
    salt: SaltAddition | None
    thinned_from: float | None
    limits: tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class BatchIdentity:
    """The identity of a new batch.

    Attributes:
        id: Of the batch; empty for none.
        day: UTC day of the last id, as 20260302.
        count: Number of ids that this day has had.
    """

    id: str
    day: str
    count: int


@dataclass(slots=True)
class BatchState:
    """The batch in one reservoir; plain data.

    Attributes:
        phase: The phase.
        id: Of the batch; empty without one.
        day: UTC day of the last id.
        count: Number of ids that this day has had.
        ended: How the last batches ended, by id.
        lot: The lot of salt mix that was used last, for its stock; empty when not recorded.
        levels: Levels of salinity that recognise salt and other water.
        dissolving_since_s: When dissolving began, s; None once it has been learned from.
        dissolving_why: Why it last began, as a phrase.
        volume: Of its water.
        contradicted_s: Since when a second reading contradicts its release, s; None for none.
        drifted_s: When steady salinity last drifted, s; None once it has been at rest since.
        remaining: How far salinity still has to go by the last forecast; None without.
        judgement: Of the steady salinity.
        temperature_C: Of the water, at the last usable reading.
        age: Release and age.
        salt: The salt that went in; None when not recorded.
        confirmed_by: Who confirmed that water and bottom are clear.
        second: Reading of another instrument.
        used_l: Litres taken since release.
        step_mS_cm: Smallest step of conductivity that its probe shows; None where none is known.
        impure_since_s: Since when the purified water reads impure at rest, s; None while it does
            not.
        impure_from_uS_cm: What it read then, µS/cm at 25 °C.
        impure: Whether an event has reported the purified water as impure.
        advice: In force.
        suspension: That the probe may not be in the water of the batch, or that nobody knows why
            its salinity fell; None for neither.
        standing: What it stood as before its salinity fell, while it may be reinstated as that.
        place_hold: Why release has to wait for the place of the probe; empty while it has not.
    """

    phase: Phase = Phase.IDLE
    id: str = ""
    day: str = ""
    count: int = 0
    ended: dict[str, str] = field(default_factory=dict)
    lot: str = ""
    levels: WaterLevels = field(default_factory=WaterLevels)
    dissolving_since_s: float | None = None
    remaining: float | None = None
    judgement: Judgement = field(default_factory=Judgement)
    temperature_C: float | None = None
    age: Age = field(default_factory=Age)
    salt: SaltAddition | None = None
    confirmed_by: str = ""
    second: SecondReading | None = None
    used_l: float = 0.0
    impure: bool = False
    advice: Advice = field(default_factory=Advice)
    dissolving_why: str = ""
    drifted_s: float | None = None
    contradicted_s: float | None = None
    step_mS_cm: float | None = None
    impure_since_s: float | None = None
    impure_from_uS_cm: float = 0.0
    volume: Volume = field(default_factory=Volume)
    suspension: Suspension | None = None
    place_hold: str = ""
    standing: Standing | None = None

    def next_identity(self, reservoir: str, wall: datetime) -> BatchIdentity:
        """Return the identity of the next batch; no clock makes an id come a second time."""
        day = max(f"{wall:%Y%m%d}", self.day)
        count = self.count + 1 if day == self.day else 1
        return BatchIdentity(f"{reservoir}-{day}-{count}", day, count)

    def replace_batch(self, identity: BatchIdentity) -> None:
        """Begin with a new batch, or with none.

        Phase, ended batches and the lot used last outlive a batch; all else belongs to it alone.
        """
        self.id, self.day, self.count = identity.id, identity.day, identity.count
        self.levels, self.judgement, self.age = WaterLevels(), Judgement(), Age()
        self.dissolving_since_s, self.remaining, self.temperature_C = None, None, None
        self.salt, self.used_l, self.impure = None, 0.0, False
        self.confirmed_by, self.second = "", None
        self.advice = Advice()
        self.step_mS_cm, self.impure_since_s, self.impure_from_uS_cm = None, None, 0.0
        self.volume = Volume()
        self.dissolving_why, self.drifted_s, self.contradicted_s = "", None, None
        self.suspension, self.place_hold, self.standing = None, "", None
