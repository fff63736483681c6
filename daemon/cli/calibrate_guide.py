"""The guided routine in a terminal: shows what to do, prompts, and passes the answer on.

It decides nothing.  Instructions come out of the journal, what the person does goes
into the inbox; measuring runs the routine.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from rich.console import Console
from rich.text import Text

from daemon.cli.calibrate_live import Display
from daemon.cli.command_client import send
from daemon.cli.output import (
    INTERRUPTED,
    NOT_SO,
    OK,
    UNAVAILABLE,
    fail,
    journal_of,
    json_line,
    print_text,
    warn,
)
from daemon.entries import Event, Kind, Reading
from daemon.journal.calibration_records import indication_of
from daemon.journal.payloads import event_payload
from daemon.mixing.probe_events import (
    CalibrationJudged,
    CalibrationReverted,
    CalibrationSettled,
    PointCaptured,
    ProbeReturned,
    RecordSaved,
    RoutineLost,
    RoutineSpoke,
)
from daemon.printable import printable

if TYPE_CHECKING:
    from collections.abc import Mapping

    from daemon.config import Config
    from daemon.entries import JSON

POLL_S = 0.1
SILENT_S = 60.0
CONFIRM, NEXT, RETRY, ABORT = "confirm", "next", "retry", "abort"
REPEATABLE_STEPS = ("held", "captured", "thermometer", "verdict")
PROMPTS = {
    "captured": "Enter for the next step, r to repeat this point, a to abort: ",
    "verdict": "Enter to save, r to repeat the last point, a to abort: ",
    "thermometer": "Thermometer, °C (r to repeat this point, a to abort): ",
    "return": "Enter once it is back in the water: ",
}
WARNING_PROMPTS = {
    "go_on": "r to repeat this point, a to abort, or the word anyway to go on in spite of it: ",
    "nothing": "r to repeat this point, a to abort: ",
}


@dataclass(slots=True)
class Guide:
    """One routine, from its start to the probe's return.

    Attributes:
        config: Of the station.
        reservoir: Where the probe belongs.
        probe: Its name.
        unattended: Confirm every step without a person, and abort at the first warning.
        as_json: Print the events, one object a line, and no prose.
    """

    config: Config
    reservoir: str
    probe: str
    unattended: bool = False
    as_json: bool = False
    _console: Console = field(default_factory=lambda: Console(highlight=False))
    _seq: int = 0
    _step: str = ""
    _on_confirm: str = ""
    _code: int = NOT_SO
    _returned: bool = False
    _last_entry_s: float = 0.0

    def run(self, verb: str, arguments: Mapping[str, JSON]) -> int:
        """Run it and return the exit code: `OK` for what is in force or agrees."""
        self._seq = _last_seq(self.config)
        self._last_entry_s = time.monotonic()
        start = send(self.config, verb, self.reservoir, {**arguments, "probe": self.probe})
        if not start.ok:
            fail(start.answer, NOT_SO)
        while not self._returned:
            try:
                self._go_on()
            except (KeyboardInterrupt, EOFError):
                if self._step == "return":
                    warn(
                        "the probe's readings do not count until 'brinewright calibrate back' is"
                        " given, once it is in the water"
                    )
                    return INTERRUPTED
                self._send(ABORT)
        return self._code

    def _go_on(self) -> None:
        """Show what is new, then wait for the probe or for the person, as the step needs."""
        self._read_journal(None)
        if self._returned:
            return
        if self._step in ("", "settle"):
            self._watch()
        else:
            self._answer()

    def _watch(self) -> None:
        with Display(self._console) as display:
            while self._step in ("", "settle") and not self._returned:
                self._read_journal(display)
                display.renew()
                if time.monotonic() - self._last_entry_s > SILENT_S:
                    fail(
                        f"nothing was written for {SILENT_S:g} s: is the service running?",
                        UNAVAILABLE,
                    )
                time.sleep(POLL_S)

    def _read_journal(self, display: Display | None) -> None:
        for stored in journal_of(self.config.journal.path).after(self._seq, 2000):
            self._seq, self._last_entry_s = stored.seq, time.monotonic()
            entry = stored.entry
            if entry.reservoir != self.reservoir:
                continue
            if isinstance(entry, Reading):
                if display is not None and entry.probe == self.probe:
                    display.settling.take(indication_of(entry))
            elif entry.kind is Kind.CALIBRATION:
                self._take(entry)

    def _take(self, event: Event) -> None:
        """Follow an event of this probe's calibration, and print it."""
        match event.body:
            case RoutineSpoke(probe=self.probe) as body:
                self._step, self._on_confirm = body.step, body.on_confirm
                text = " ".join(filter(None, (body.text, body.way_on)))
            case RecordSaved(probe=self.probe) as body:
                self._code = OK if _is_good(body) else NOT_SO
                text = body.text
            case ProbeReturned(probe=self.probe, text=text):
                self._returned = True
            case CalibrationSettled(probe=self.probe, text=text):
                pass
            case RoutineLost(probe=self.probe, text=text):
                pass
            case (
                PointCaptured(probe=self.probe)
                | CalibrationJudged(probe=self.probe)
                | CalibrationReverted(probe=self.probe)
            ):
                text = ""
            case _:
                return
        if self.as_json:
            print_text(json_line(event_payload(event)))
        elif text:
            self._console.print(Text(printable(text)))

    def _answer(self) -> None:
        """Ask until there is an answer that means something at this step, and send it."""
        if self.unattended:
            self._send(_unattended_action(self._step))
            return
        while True:
            typed = input(self._prompt()).strip().lower()
            if self._step == "thermometer" and (value := _number(typed)) is not None:
                self._send(CONFIRM, value_C=value)
                return
            action = action_for(self._step, self._on_confirm, typed)
            if action is not None:
                self._send(action)
                return

    def _prompt(self) -> str:
        if self._step == "held":
            return WARNING_PROMPTS.get(
                self._on_confirm, "Enter to do so, r to repeat this point, a to abort: "
            )
        return PROMPTS.get(self._step, "Enter when done, a to abort: ")

    def _send(self, action: str, **more: JSON) -> None:
        arguments: dict[str, JSON] = {"probe": self.probe, **more}
        if action != ABORT:
            arguments["step"] = self._step
        result = send(self.config, f"calibrate.{action}", self.reservoir, arguments)
        if not result.ok:
            warn(result.answer)
            if action == ABORT:
                # Nothing runs any more: there is nothing left but to return the probe.
                self._step = "return"


def action_for(step: str, on_confirm: str, typed: str) -> str | None:
    """Return the action for what was typed; None where it means nothing at this step.

    To go on in spite of a warning takes a whole word, so that Enter alone never does it.

    Args:
        step: Of the routine.
        on_confirm: What a confirmation does about a warning; empty without one.
        typed: Without blanks around it, in small letters.
    """
    if typed in ("a", ABORT) and step != "return":
        return ABORT
    if typed in ("r", "repeat", RETRY) and step in REPEATABLE_STEPS:
        return RETRY
    expected: str | None = ""
    if step == "held":
        expected = {"go_on": "anyway", "nothing": None}.get(on_confirm, "")
    if typed != expected or step == "thermometer":
        return None
    return NEXT if step == "captured" else CONFIRM


def _is_good(saved: RecordSaved) -> bool:
    """Say whether a check agrees, or a calibration is in force."""
    return saved.outcome not in ("refuse", "hold") if saved.agrees is None else saved.agrees


def _unattended_action(step: str) -> str:
    if step == "captured":
        return NEXT
    return ABORT if step in ("held", "thermometer") else CONFIRM


def _number(typed: str) -> float | None:
    try:
        return float(typed.replace(",", "."))
    except ValueError:
        return None


def _last_seq(config: Config) -> int:
    return journal_of(config.journal.path).last_seq()
