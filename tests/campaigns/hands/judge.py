"""Whether what the station said is true: event by event, and once a minute."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from daemon.entries import Kind, Phase
from tests.campaigns.hands.marks import Marks
from tests.campaigns.hands.truth import Refill, Truth, Water
from tests.parts.events import facts_in

if TYPE_CHECKING:
    from collections.abc import Mapping

    from daemon.entries import JSON, Event
    from daemon.mixing.batch.lifecycle import BatchSettings

NOTICE_S = 1800.0
"""From when a refill is certain until the old batch must have ended."""
ASK_S = 900.0
"""A refill that stays uncertain for longer must have been asked about."""
AWAY_GRACE_S = 60.0
"""A release within it of lifting the probe is of the readings before."""
AWAY_S = 900.0
"""A probe that is away for longer must have been asked about, and nothing released meanwhile."""
AGE_GRACE_H = 0.1
OUTSIDE_S = 900.0
OUTSIDE_K = 2.0
"""How long, and by how many standard uncertainties, a reading is outside with proof."""
REST_S = 3600.0


@dataclass(slots=True)
class Scene:
    """Where the probe is at one moment.

    Attributes:
        t_s: Simulated seconds.
        in_water: Whether it is in the water of the vessel.
        away_s: Since when it is not; None while it is.
        certain: Whether the station can know the time (not between a power cut and a clock).
        rested_s: For how long hands have done nothing to the stage.
    """

    t_s: float
    in_water: bool
    away_s: float | None
    certain: bool
    rested_s: float


@dataclass(slots=True)
class Spell:
    """Something that may hold for a moment but must not last; counted once for each water.

    Attributes:
        since_s: Since when it holds; None while it does not.
        waters: Those for which it lasted.
    """

    since_s: float | None = None
    waters: set[int] = field(default_factory=set)

    def lasts(self, t_s: float, water: int, *, holds: bool) -> bool:
        """Say whether it has just lasted too long for this water."""
        if not holds:
            self.since_s = None
            return False
        self.since_s = t_s if self.since_s is None else self.since_s
        if t_s - self.since_s <= OUTSIDE_S or water in self.waters:
            return False
        self.waters.add(water)
        return True


@dataclass(slots=True)
class Judge:
    """Counts what is wrong.

    Attributes:
        settings: What a batch has to be.
        truth: All waters.
        marks: What was counted.
        by_keeper: Whether a batch that ends at this moment is ended by the keeper.
        asked: Whether a question stands.
        questions: How many questions there were.
    """

    settings: BatchSettings
    truth: Truth = field(default_factory=Truth)
    marks: Marks = field(default_factory=Marks)
    by_keeper: bool = False
    asked: bool = False
    questions: int = 0
    _aged: set[int] = field(default_factory=set)
    _alarmed: set[int] = field(default_factory=set)
    _ready: Spell = field(default_factory=Spell)
    _silent: Spell = field(default_factory=Spell)
    _loose: str = ""
    _away_asked: bool = False
    _away_judged: bool = False

    def fault(self, scene: Scene, text: str) -> None:
        """Write down what went wrong, with its time."""
        self.marks.faults.append(f"{scene.t_s / 3600.0:7.3f} h: {text}")

    # --- events --------------------------------------------------------------------------------

    def on_event(self, event: Event, scene: Scene) -> None:
        """Judge one event at the moment that it was said."""
        facts = facts_in(event)
        if event.kind is Kind.BATCH and facts.get("what") == "began":
            self._began(event.batch, scene)
        elif event.kind is Kind.BATCH and facts.get("what") == "ended":
            self._ended(event.batch, str(facts["how"]), scene)
        elif event.kind is Kind.PHASE and facts["to"] == Phase.READY:
            self._released(event.batch, scene)
        elif event.kind in (Kind.DISTURBED, Kind.ADVICE):
            self._say(scene)

    def _began(self, batch: str, scene: Scene) -> None:
        water = self.truth.current
        if water is not None and not water.batch and water.gone_s is None:
            water.batch, water.began_s = batch, scene.t_s
            return
        if water is not None and water.blended:
            water.others.append(batch)
            return
        self._loose = batch
        if water is not None:
            water.others.append(batch)
        self.marks.started += 1
        self.fault(scene, f"started wrongly: {batch}")

    def bind_loose(self, running: str) -> None:
        """Take a batch of purified water that began before there was any as that of this water."""
        water = self.truth.current
        if water is not None and running and running == self._loose:
            for each in self.truth.waters:
                each.others = [name for name in each.others if name != running]
            water.batch, water.began_s = running, water.since_s
        self._loose = ""

    def _ended(self, batch: str, how: str, scene: Scene) -> None:
        water = self.truth.owner(batch)
        if water is None or batch != water.batch:
            return
        if not water.ended_how:
            water.ended_s, water.ended_how = scene.t_s, how
        if self.by_keeper or water.gone_s is not None or water.blended:
            return
        self.marks.ended += 1
        self.fault(scene, f"ended wrongly: {batch} ({how})")

    def _released(self, batch: str, scene: Scene) -> None:
        water = self.truth.owner(batch)
        away = not scene.in_water and scene.t_s - (scene.away_s or 0.0) > AWAY_GRACE_S
        if away or water is None or water is not self.truth.current:
            self.marks.released += 1
            self.fault(scene, f"released falsely: {batch}{' (probe away)' if away else ''}")
        elif water.released_s is None:
            water.released_s = scene.t_s

    # --- once a minute -------------------------------------------------------------------------

    def look(self, shown: Mapping[str, JSON], scene: Scene) -> None:
        """Judge the snapshot."""
        asked = bool(shown.get("question"))
        if asked:
            self._ask(scene)
        self.questions += asked and not self.asked
        self.asked = asked
        self._judge_away(shown, scene)
        water = self.truth.owner(str(shown["batch"] or ""))
        if water is not None and water.number not in self._aged and not water.blended:
            self._judge_age(water, shown, scene)
        if water is not None and water is self.truth.current and water.gone_s is None:
            self._judge_outside(water, shown, scene)

    def _judge_away(self, shown: Mapping[str, JSON], scene: Scene) -> None:
        if scene.away_s is None:
            self._away_asked, self._away_judged = False, False
            return
        self._away_asked = self._away_asked or self.asked
        if self._away_judged or scene.t_s - scene.away_s <= AWAY_S:
            return
        self._away_judged = True
        water = self.truth.owner(str(shown["batch"] or ""))
        if water is None or water.salted_s is None or water.salted_s > scene.away_s:
            return
        self.marks.aways += 1
        if self._away_asked and shown["phase"] != Phase.READY:
            self.marks.withheld += 1
        else:
            self.fault(scene, f"probe away for {AWAY_S / 60.0:g} min: {shown['phase']}, not asked")

    def _judge_age(self, water: Water, shown: Mapping[str, JSON], scene: Scene) -> None:
        if water.released_s is None or not scene.certain:
            return
        true_h = (scene.t_s - water.released_s) / 3600.0
        age_h = _number(shown.get("age_h"))
        young = age_h is not None and age_h < true_h - AGE_GRACE_H
        late = shown["phase"] == Phase.READY and true_h > self.settings.use_within_h + AGE_GRACE_H
        if young or late:
            self._aged.add(water.number)
            self.marks.aged += 1
            self.fault(scene, f"age reset: {shown['phase']}, {age_h} h for {true_h:.2f} h")

    def _judge_outside(self, water: Water, shown: Mapping[str, JSON], scene: Scene) -> None:
        """Judge what is said of water that the probe reads outside the limits."""
        alarms = shown["alarms"]
        alarm = isinstance(alarms, list) and "batch-off-target" in alarms
        if alarm:
            self._alarmed.add(water.number)
        beyond = self._beyond(shown)
        if beyond is None:
            return
        out = beyond and scene.in_water and water.salted_s is not None
        ready = out and shown["phase"] == Phase.READY
        # While hands work, the verdict is of the water before.
        silent = out and not alarm and scene.rested_s > REST_S and water.number in self._alarmed
        if self._ready.lasts(scene.t_s, water.number, holds=ready):
            self.marks.outside += 1
            self.fault(scene, f"ready while it reads {shown['salinity']:.2f}")
        if self._silent.lasts(scene.t_s, water.number, holds=silent):
            self.marks.dropped += 1
            self.fault(scene, f"no alarm any more while it reads {shown['salinity']:.2f}")

    def _beyond(self, shown: Mapping[str, JSON]) -> bool | None:
        """Say whether the reading is outside with proof; None without a reading."""
        salinity, u = _number(shown["salinity"]), _number(shown["salinity_u"])
        if salinity is None or u is None:
            return None
        beyond = max(self.settings.low_ppt - salinity, salinity - self.settings.high_ppt)
        return beyond > OUTSIDE_K * u

    def _ask(self, scene: Scene) -> None:
        self._say(scene)
        for refill in self.truth.refills:
            if refill.asked_s is None and refill.old.ended_s is None:
                refill.asked_s = scene.t_s

    def _say(self, scene: Scene) -> None:
        for refill in self.truth.refills:
            if refill.told_s is None:
                refill.told_s = scene.t_s

    # --- at the end ----------------------------------------------------------------------------

    def close(self, scene: Scene) -> None:
        """Judge what can be judged only when all is over."""
        for refill in self.truth.refills:
            self._judge_refill(refill, scene)
        for water in self.truth.waters:
            if water.gone_s is not None and water.salted_s is not None and not water.blended:
                self._judge_books(water, scene)

    def _judge_books(self, water: Water, scene: Scene) -> None:
        self.marks.books += 1
        if water.batch and water.ended_how == water.must_end():
            self.marks.kept += 1
        elif water.batch:
            found = water.ended_how or "not ended"
            self.fault(scene, f"books: {water.batch} was {water.must_end()}, not {found}")
        else:
            self.fault(scene, f"books: water {water.number} never had a batch")

    def _judge_refill(self, refill: Refill, scene: Scene) -> None:
        due_s, old = refill.due_s(), refill.old
        if due_s is None or not old.batch:
            return
        noticed_s = old.ended_s
        if old.by_word:
            noticed_s = refill.new.began_s
        elif old.blended and noticed_s is None:
            noticed_s = refill.told_s
        self.marks.refills += 1
        if noticed_s is not None and noticed_s <= due_s + NOTICE_S:
            self.marks.noticed += 1
        else:
            self.fault(scene, f"refill of {old.batch} not noticed in time")
        if old.blended or old.by_word or refill.gradual or due_s - refill.drained_s < ASK_S:
            return
        self.marks.askable += 1
        if refill.asked_s is not None:
            self.marks.asked += 1
        else:
            self.fault(scene, f"refill of {old.batch} not asked about")


def _number(value: JSON) -> float | None:
    return float(value) if isinstance(value, int | float) else None
