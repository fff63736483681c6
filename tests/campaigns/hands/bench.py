"""A corner in which hands do things: simulated water, the station, a keeper and the truth."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

from daemon.entries import JSON, Command, Event, Input, Instant, Phase, Sample
from daemon.journal import checkpoint
from daemon.mixing.station.station import ReservoirSettings, Station
from simulators.stage import Action, Stage, perform
from tests.campaigns.hands.draws import Draw
from tests.campaigns.hands.judge import Judge, Scene
from tests.campaigns.hands.story_log import StoryLog
from tests.parts.events import facts_in
from tests.parts.snapshots import snapshot_in
from tests.parts.weights import weights

DAY = datetime(2026, 3, 2, tzinfo=UTC)
LONG_AGO = datetime(1997, 1, 1, tzinfo=UTC)
"""Where a clock begins that has lost its battery."""
RESERVOIR, PROBE = "mix-1", "ct-1"
QUIET_PERIOD_S, MIXING_PERIOD_S = 30.0, 10.0
BUSY_S = 900.0
"""For so long after hands did something the probe is sampled as fast as it was drawn."""
LOOK_S = 60.0
ENDS = ("batch.use", "batch.discard")
ANSWER_S = (120.0, 1200.0)


@dataclass(slots=True)
class Clock:
    """The machine's clocks.

    Attributes:
        boot: Number of the boot.
        boot_s: Simulated time of the boot.
        right_s: Simulated time from which the wall clock is right and synchronised.
    """

    boot: int = 1
    boot_s: float = -1000.0
    right_s: float = -1000.0

    def at(self, t_s: float, start: datetime) -> Instant:
        """Return a moment as the machine has it."""
        right = t_s >= self.right_s
        wall = start + timedelta(seconds=t_s) if right else LONG_AGO
        if not right:
            wall += timedelta(seconds=t_s - self.boot_s)
        return Instant(wall, t_s - self.boot_s, f"boot-{self.boot}", right)


@dataclass
class Bench:
    """One corner, from its first moment to the end of a story.

    Attributes:
        draw: What was drawn for it.
        log: Takes what happens; None to keep nothing.
        dice: Of the hands.
        factor: What the instrument's unit is wrong by.
        silent: Whether the driver reports a fault instead of a value.
        stopped: Whether the service is stopped.
        phase: Where the station says that the batch stands, as of the last event.
        batch: Id of the present batch, as of the last event; empty without one.
    """

    draw: Draw
    log: StoryLog | None = None
    dice: random.Random = field(init=False)
    stage: Stage = field(init=False)
    station: Station = field(init=False)
    judge: Judge = field(init=False)
    clock: Clock = field(default_factory=Clock)
    factor: float = 1.0
    silent: bool = False
    stopped: bool = False
    phase: Phase = Phase.IDLE
    batch: str = ""
    _commands: int = 0
    _busy_until_s: float = 0.0
    _looked_s: float = -LOOK_S
    _away_s: float | None = None
    _answer_s: float | None = None

    def __post_init__(self) -> None:
        """Set the stage and start the station."""
        drawn = self.draw
        seed = f"{drawn.thing}/{drawn.seed}/{drawn.number}"
        self.dice = random.Random(f"hands of {seed}")
        self.stage = Stage.setting(drawn.story, self.dice.randrange(1_000_000))
        self.judge = Judge(drawn.settings)
        self.station = self._station()
        self.act("trouble", bubbles_per_h=drawn.bubbles_per_h, dropout_chance=drawn.dropout_chance)

    def _station(self, kept: str | None = None) -> Station:
        drawn = self.draw
        settings = ReservoirSettings(
            RESERVOIR, batch=drawn.settings, quality=drawn.quality, probes={PROBE: drawn.worth}
        )
        state = None if kept is None else checkpoint.restore(kept)
        assert (state is None) == (kept is None)
        return Station({RESERVOIR: settings}, weights(), state)

    # --- what can be seen ----------------------------------------------------------------------

    @property
    def t_s(self) -> float:
        """Simulated seconds."""
        return self.stage.t_s

    def now(self) -> Instant:
        """The present moment, as the machine has it."""
        return self.clock.at(self.t_s, DAY + timedelta(hours=self.draw.start_h))

    def shown(self) -> dict[str, JSON]:
        """The snapshot."""
        return snapshot_in(self.station, RESERVOIR, self.now())

    def scene(self) -> Scene:
        """Where the probe is now."""
        inside = self.stage.in_water()
        rested_s = self.t_s + BUSY_S - self._busy_until_s
        return Scene(
            self.t_s, inside, self._away_s, self.t_s >= self.clock.right_s + LOOK_S, rested_s
        )

    # --- time ----------------------------------------------------------------------------------

    def wait(self, seconds: float) -> None:
        """Let time pass."""
        self.until(lambda: False, seconds)

    def wait_h(self, hours: float) -> None:
        """Let hours pass."""
        self.wait(hours * 3600.0)

    def until(self, done: Callable[[], bool], longest_s: float) -> bool:
        """Let time pass until a condition holds; return whether it came to hold."""
        end_s = self.t_s + longest_s
        while not done():
            if self.t_s >= end_s:
                return False
            self._sample(min(self._period_s(), max(end_s - self.t_s, 0.5)))
        return True

    def _period_s(self) -> float:
        drawn_s = self.draw.period_s
        if self.t_s < self._busy_until_s or self.stopped:
            return drawn_s
        quiet = self.phase not in (Phase.DISSOLVING, Phase.VERIFYING)
        return max(drawn_s, QUIET_PERIOD_S if quiet else MIXING_PERIOD_S)

    def _sample(self, after_s: float) -> None:
        self.stage.advance(self.t_s + after_s)
        self._away_s = None if self.stage.in_water() else (self._away_s or self.t_s)
        if self.stopped:
            return
        self._give(self._sampled())
        if self.t_s - self._looked_s >= LOOK_S:
            self._look()

    def _sampled(self) -> Sample:
        spoken = self.stage.speak()
        conductivity, temperature_C = spoken.conductivity_mS_cm, spoken.temperature_C
        if conductivity is None or self.silent:
            return Sample(RESERVOIR, PROBE, self.now(), None, None, fault="no reply")
        return Sample(RESERVOIR, PROBE, self.now(), conductivity * self.factor, temperature_C)

    def _give(self, item: Input) -> list[Event]:
        entries = self.station.advance(item)
        return self._take([entry for entry in entries if isinstance(entry, Event)])

    def _take(self, events: list[Event]) -> list[Event]:
        for event in events:
            before = len(self.judge.marks.faults)
            self.judge.on_event(event, self.scene())
            if self.log is not None:
                self.log.event(self, event)
                self.log.faults(self, before)
        if events:
            self._look()
        return events

    def _look(self) -> None:
        self._looked_s = self.t_s
        shown, before = self.shown(), len(self.judge.marks.faults)
        self.phase, self.batch = Phase(str(shown["phase"])), str(shown["batch"] or "")
        asked = self.judge.asked
        self.judge.look(shown, self.scene())
        if self.log is not None:
            self.log.faults(self, before)
            if asked != self.judge.asked:
                self.log.said(self, f"question: {shown.get('question')}")
        self._answer()

    # --- the keeper's answers ------------------------------------------------------------------

    def _answer(self) -> None:
        """Answer a question truthfully some minutes after it came, once hands rest."""
        if not (self.judge.asked and self.draw.answers):
            self._answer_s = None
            return
        if self._answer_s is None:
            self._answer_s = self.t_s + self.dice.uniform(*ANSWER_S)
        if self.t_s < self._answer_s or not self.stage.reservoir.quiet():
            return
        answer = self._true_answer()
        if answer:
            # Whatever the station does with it, it is not answered again at once.
            self._answer_s = self.t_s + ANSWER_S[1]
            if not self.say("batch.answer", answer=answer):
                self.judge.marks.rejected += 1

    def _true_answer(self) -> str:
        """Return what a keeper can say for certain; empty while nothing is certain."""
        water, asked_about = self.judge.truth.current, self.judge.truth.owner(self.batch)
        if water is None or water.gone_s is not None:
            return ""
        if asked_about is not water or (water.blended and self.draw.number % 2):
            return "refilled"
        return "same-water" if self.stage.in_water() else "probe-out"

    # --- hands ---------------------------------------------------------------------------------

    def act(self, verb: str, **facts: float) -> None:
        """Do something to the stage, as the simulators name it."""
        action = Action(self.t_s, verb, facts)
        if self.log is not None:
            self.log.said(self, f"hands: {action}")
        perform(self.stage, action)
        self.busy()

    def busy(self) -> None:
        """Sample as fast as was drawn for a while: something happens."""
        self._busy_until_s = self.t_s + BUSY_S

    def say(self, verb: str, /, **facts: JSON) -> bool:
        """Command the station; return whether it carried it out."""
        self._commands = number = self._commands + 1
        command = Command(
            f"c-{number}", self.now(), "keeper", "cli", verb, RESERVOIR, facts, number
        )
        self.judge.by_keeper = verb in ENDS or facts.get("answer") == "refilled"
        answered = self._give(command)[0]
        self.judge.by_keeper = False
        self.busy()
        return bool(facts_in(answered)["ok"])

    # --- the machine ---------------------------------------------------------------------------

    def cut_power(self, off_s: float, wrong_s: float) -> None:
        """Lose power and the clock; go on from the checkpoint, and only later with the time."""
        kept = checkpoint.dump(self.station.state)
        if self.log is not None:
            self.log.said(self, f"power is off for {off_s / 3600.0:.2f} h")
        self.stage.advance(self.t_s + math.ceil(off_s))
        self.clock = Clock(self.clock.boot + 1, self.t_s - 30.0, self.t_s + wrong_s)
        self.station = self._station(kept)
        events = self.station.resume(self.now(), unexpected=True)
        self._take([entry for entry in events if isinstance(entry, Event)])
