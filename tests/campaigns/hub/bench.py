"""The simulated instruments of the campaign, which a step pulls, lifts out and puts back."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

from simulators.lines import SimulatedLine
from simulators.scenarios import plain_batch
from simulators.speakers import StageSpeaker
from simulators.stage import Scenario, Stage

AIR = b"12.0,22.00\r"
"""What a dry cell answers: hardly any conductivity, µS/cm, at room temperature."""
JOIN_S = 10.0


@dataclass
class Bench:
    """A probe in simulated water.

    Attributes:
        speaker: Who answers while it is in the water.
        pulled: While set, its cable is out.
        lifted: While set, it hangs in the air.
        held: While set, no time passes for its water.
    """

    speaker: StageSpeaker
    pulled: threading.Event = field(default_factory=threading.Event)
    lifted: threading.Event = field(default_factory=threading.Event)
    held: threading.Event = field(default_factory=threading.Event)
    lossless: bool = field(default=False, init=False)
    _late_s: float = field(default=0.0, init=False)

    @property
    def plugged(self) -> bool:
        """Whether the cable is in."""
        return not self.pulled.is_set()

    def advance(self, t_s: float) -> bytes:
        """Let simulated time pass; it says nothing without a request."""
        return self.speaker.advance(self._story_s(t_s))

    def respond(self, data: bytes, t_s: float) -> bytes:
        """Answer a request, from the water or from the air."""
        reply = self.speaker.respond(data, self._story_s(t_s))
        return AIR if reply and self.lifted.is_set() else reply

    def next_s(self) -> float | None:
        """Return when the water has something to do, simulated s."""
        due_s = self.speaker.next_s()
        return None if due_s is None or self.held.is_set() else due_s + self._late_s

    def _story_s(self, t_s: float) -> float:
        """Return the time of the story, s: behind by as long as it was held."""
        now_s = self.speaker.stage.t_s
        if self.held.is_set():
            self._late_s = t_s - now_s
        return max(now_s, t_s - self._late_s)


STILL = replace(plain_batch(), name="still", actions=(), starts_at=34.0)
"""Mixed water with nothing happening to it."""


@contextlib.contextmanager
def in_water(
    link: Path, speed: float, seed: int = 1, story: Scenario | None = None
) -> Iterator[Bench]:
    """Put a probe into the water of a story, held at its beginning, until the block ends.

    Args:
        link: Name of the port.
        speed: Simulated seconds in a real one.
        seed: Of the instrument's noise.
        story: What happens to the water; a plain batch when not given.
    """
    bench = Bench(StageSpeaker(Stage.setting(story or plain_batch(), seed=seed)))
    bench.held.set()
    line = SimulatedLine(link, bench, speed=speed, waits_for_reader=True)
    line.plug()
    thread = threading.Thread(target=line.serve)
    thread.start()
    try:
        yield bench
    finally:
        line.stop()
        thread.join(JOIN_S)
