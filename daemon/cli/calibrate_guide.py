"""The guided routine in a terminal: says what to do, asks, and passes the answer on.

It decides nothing.  What is to be said comes out of the journal, what the
person does goes into the inbox; measuring runs the routine.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from rich.console import Console
from rich.text import Text

from daemon.cli.calibrate_live import Display
from daemon.cli.command_client import put
from daemon.cli.output import NOT_SO, OK, UNAVAILABLE, complain, fail, journal_of, json_line, say
from daemon.entries import Event, Kind, Reading
from daemon.journal.event_codec import facts_of
from daemon.journal.payloads import event_payload
from daemon.printable import printable

if TYPE_CHECKING:
    from collections.abc import Mapping

    from daemon.config import Config
    from daemon.entries import JSON

LOOK_S = 0.1
INTERRUPTED = 130
"""What a shell expects of a program ended with Ctrl-C."""
SILENT_S = 60.0
CONFIRM, NEXT, RETRY, ABORT = "confirm", "next", "retry", "abort"
RETRIED = ("held", "captured", "thermometer")
PROMPTS = {
    "captured": "Enter for the next step, r to repeat this point, a to abort: ",
    "verdict": "Enter to save, a to abort: ",
    "thermometer": "Thermometer, °C (r to repeat this point, a to abort): ",
    "return": "Enter once it is back in the water: ",
}
HELD = {
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
        unattended: Confirm every step by itself, and abort at the first doubt.
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
    _back: bool = False
    _heard_s: float = 0.0

    def run(self, verb: str, facts: Mapping[str, JSON]) -> int:
        """Run it and return the exit code: `OK` for what is in force or agrees."""
        self._seq = _last_seq(self.config)
        self._heard_s = time.monotonic()
        began = put(self.config, verb, self.reservoir, {**facts, "probe": self.probe})
        if not facts_of(began.body).get("ok"):
            fail(str(facts_of(began.body).get("answer")), NOT_SO)
        while not self._back:
            try:
                self._go_on()
            except (KeyboardInterrupt, EOFError):
                if self._step == "return":
                    complain(
                        "the probe's readings do not count until 'brinewright calibrate back' is"
                        " given, once it is in the water"
                    )
                    return INTERRUPTED
                self._send(ABORT)
        return self._code

    def _go_on(self) -> None:
        """Tell what is new, then wait for the probe or for the person, whoever is wanted."""
        self._news(None)
        if self._back:
            return
        if self._step in ("", "settle"):
            self._watch()
        else:
            self._answer()

    def _watch(self) -> None:
        with Display(self._console) as display:
            while self._step in ("", "settle") and not self._back:
                self._news(display)
                display.renew()
                if time.monotonic() - self._heard_s > SILENT_S:
                    fail(
                        f"nothing was written for {SILENT_S:g} s: is the service running?",
                        UNAVAILABLE,
                    )
                time.sleep(LOOK_S)

    def _news(self, display: Display | None) -> None:
        found = journal_of(self.config.journal.path).after(self._seq, 2000)
        for stored in found:
            self._seq, self._heard_s = stored.seq, time.monotonic()
            entry = stored.entry
            if entry.reservoir != self.reservoir:
                continue
            if isinstance(entry, Reading):
                if display is not None and entry.probe == self.probe:
                    display.settling.take(entry)
            elif entry.kind is Kind.CALIBRATION and facts_of(entry.body).get("probe") == self.probe:
                self._tell(entry)

    def _tell(self, event: Event) -> None:
        facts = facts_of(event.body)
        if self.as_json:
            say(json_line(event_payload(event)))
        elif facts["what"] in ("say", "saved", "settled", "returned", "lost"):
            text = " ".join(str(facts[key]) for key in ("text", "way_on") if key in facts)
            self._console.print(Text(printable(text)))
        if facts["what"] == "say":
            self._step, self._on_confirm = str(facts["step"]), str(facts.get("on_confirm", ""))
        elif facts["what"] == "saved":
            good = facts.get("agrees", facts.get("outcome") not in ("refuse", "hold"))
            self._code = OK if good else NOT_SO
        elif facts["what"] == "returned":
            self._back = True

    def _answer(self) -> None:
        """Ask until there is an answer that means something at this step, and send it."""
        if self.unattended:
            self._send(_by_itself(self._step))
            return
        while True:
            typed = input(self._prompt()).strip().lower()
            if self._step == "thermometer" and (value := _number(typed)) is not None:
                self._send(CONFIRM, value_C=value)
                return
            doing = meant(self._step, self._on_confirm, typed)
            if doing is not None:
                self._send(doing)
                return

    def _prompt(self) -> str:
        if self._step == "held":
            return HELD.get(
                self._on_confirm, "Enter to do so, r to repeat this point, a to abort: "
            )
        return PROMPTS.get(self._step, "Enter when done, a to abort: ")

    def _send(self, doing: str, **facts: JSON) -> None:
        told: dict[str, JSON] = {"probe": self.probe, **facts}
        if doing != ABORT:
            told["step"] = self._step
        answer = put(self.config, f"calibrate.{doing}", self.reservoir, told)
        if not facts_of(answer.body).get("ok"):
            complain(str(facts_of(answer.body).get("answer")))
            if doing == ABORT:
                # Nothing runs any more: there is nothing left but to put the probe back.
                self._step = "return"


def meant(step: str, on_confirm: str, typed: str) -> str | None:
    """Return what is meant by what was typed; None where it means nothing here.

    To go on in spite of a warning takes a whole word, which no tired finger
    on the Enter key types by itself.

    Args:
        step: Where the routine stands.
        on_confirm: What a confirmation does about what it is held up by; else empty.
        typed: Without blanks around it, in small letters.
    """
    if typed in ("a", ABORT) and step != "return":
        return ABORT
    if typed in ("r", "repeat", RETRY) and step in RETRIED:
        return RETRY
    wanted: str | None = ""
    if step == "held":
        wanted = {"go_on": "anyway", "nothing": None}.get(on_confirm, "")
    if typed != wanted or step == "thermometer":
        return None
    return NEXT if step == "captured" else CONFIRM


def _by_itself(step: str) -> str:
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
