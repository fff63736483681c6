"""Who talks over a line: a scenario's probe, or a recording of one."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from simulators.records import Row
from simulators.stage import Stage

_LONGEST_REQUEST = 64


@dataclass(slots=True)
class StageSpeaker:
    """The probe of a scenario, asked or talking by itself.

    Attributes:
        stage: The scenario.
        period_s: Simulated seconds between two lines when talking by itself.
        free_running: Whether it talks by itself; otherwise it answers requests.
        witness: Called as time passes, after each action and every `witness_s`.
        witness_s: Simulated seconds between two calls of `witness`.
    """

    stage: Stage
    period_s: float = 2.0
    free_running: bool = False
    witness: Callable[[Stage], None] | None = None
    witness_s: float = 10.0
    lossless: bool = False
    _spoken: int = 0
    _witnessed: int = 0
    _heard: bytes = b""

    @property
    def plugged(self) -> bool:
        """Whether the probe's cable is in."""
        return self.stage.plugged

    def advance(self, t_s: float) -> bytes:
        """Let the scenario pass until `t_s`; return the lines that fell due."""
        said = b""
        while (due_s := self.next_s()) is not None and due_s <= t_s:
            said += self._arrive(due_s)
        self.stage.advance(max(t_s, self.stage.t_s))
        return said

    def respond(self, data: bytes, t_s: float) -> bytes:
        """Answer each whole request in what has come so far; anything else gets silence."""
        said = self.advance(t_s)
        *requests, rest = (self._heard + data).replace(b"\n", b"\r").split(b"\r")
        self._heard = rest[-_LONGEST_REQUEST:]
        if self.free_running:
            return said
        asked = self.stage.instrument.character.request
        return b"".join(self.stage.speak().words for r in requests if r.strip() == asked)

    def next_s(self) -> float | None:
        """Return the simulated time of the next line, action or look of the witness."""
        due = [self.stage.next_action_s()]
        if self.free_running:
            due.append(self._spoken * self.period_s)
        if self.witness is not None:
            due.append(self._witnessed * self.witness_s)
        return min((at_s for at_s in due if at_s is not None), default=None)

    def _arrive(self, due_s: float) -> bytes:
        """Do what falls due at this one moment."""
        before = len(self.stage.done)
        self.stage.advance(max(due_s, self.stage.t_s))
        acted = len(self.stage.done) > before
        if self.witness is not None and (acted or due_s >= self._witnessed * self.witness_s):
            self._witnessed += due_s >= self._witnessed * self.witness_s
            self.witness(self.stage)
        if self.free_running and due_s >= self._spoken * self.period_s:
            self._spoken += 1
            return self.stage.speak().words
        return b""


@dataclass(slots=True)
class RecordedInstrument:
    """A recording that says each row exactly once, at the pace it was recorded.

    A row with an empty field is a reading that did not come: nothing is said,
    or the words in `missing`.  Waits for a slow reader instead of dropping words;
    let its line wait for the reader, or the first rows are said to nobody.

    Attributes:
        rows: In order of time.
        reply: Format of a line; takes conductivity in `factor` units, then °C.
        factor: Turns mS/cm into the unit of the line.
        missing: What is said in place of a missing reading.
        at_end: Called once, after the last row has been said.
    """

    rows: list[Row]
    reply: str = "%.1f,%.2f\r"
    factor: float = 1000.0
    missing: bytes = b""
    at_end: Callable[[], None] | None = None
    plugged: bool = field(default=True, init=False)
    lossless: bool = field(default=True, init=False)
    _played: int = 0

    def advance(self, t_s: float) -> bytes:
        """Return the rows whose time has come."""
        said = b""
        if self._played == len(self.rows) and self.at_end is not None:
            self.at_end()
            self.at_end = None
        while (due_s := self.next_s()) is not None and due_s <= t_s:
            said += self._line(self.rows[self._played])
            self._played += 1
        return said

    def respond(self, data: bytes, t_s: float) -> bytes:  # noqa: ARG002 - it is deaf
        """Say nothing: a recording does not listen."""
        return b""

    def next_s(self) -> float | None:
        """Return the simulated time of the next row; None after the last."""
        if self._played >= len(self.rows):
            return None
        return (self.rows[self._played].time - self.rows[0].time).total_seconds()

    def _line(self, row: Row) -> bytes:
        if row.conductivity_mS_cm is None or row.temperature_C is None:
            return self.missing
        said = (row.conductivity_mS_cm * self.factor, row.temperature_C)
        return (self.reply % said).encode("ascii", "replace")
