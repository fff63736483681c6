"""The test of compensation in a terminal: what to do, what the sample does, and the verdict."""

from __future__ import annotations

import sys
from contextlib import closing
from typing import TYPE_CHECKING, Self

from rich.console import Console
from rich.live import Live
from rich.text import Text

from daemon.assembly import clock as clock_of
from daemon.cli.output import NOT_SO, OK, json_line, print_text
from daemon.cli.sentences import wrapped
from daemon.config.probe import Probe
from daemon.errors import InputError
from daemon.mixing.probe.temperature_response import Indication, Response
from daemon.mixing.probe.warming_test import WarmingStep, WarmingTest, verdict_sentences
from daemon.probes.trial.indication import Pairing
from daemon.probes.trial.judgement import units_of
from daemon.probes.trial.runner import Subject, run_subjects, subjects

if TYPE_CHECKING:
    from daemon.config import Config
    from daemon.errors import ExitCode

SILENT_S = 120.0
"""Without a reading the test ends; our own choice."""


def warm(settings: Config, chosen: list[Subject], *, as_json: bool) -> ExitCode:
    """Lead through the test with one probe; return the exit code: 0 for a verdict that agrees.

    Raises:
        InputError: Not one probe alone was named.
    """
    probes = [each for each in chosen if isinstance(each.section, Probe)]
    if len(probes) != 1:
        names = ", ".join(each.name for each in subjects(settings) if each.reservoir)
        raise InputError(f"--warm needs one probe; name one of: {names}")
    (subject,) = probes
    units = units_of(subject)
    test = WarmingTest(units.reference_C)
    guide = _Guide(test, as_json=as_json)
    guide.begin()
    _follow(settings, subject, guide)
    verdict = test.verdict()
    said = verdict_sentences(verdict, units.percent_per_C)
    if as_json:
        facts = {
            "verdict": verdict.response.value,
            "percent_per_C": verdict.percent_per_C,
            "percent_per_C_u": verdict.u_percent_per_C,
            "configured_percent_per_C": units.percent_per_C,
            "sentences": said,
        }
        print_text(json_line(facts))
    else:
        print_text("\n" + "\n".join(map(wrapped, [*said, test.instruction])))
    agrees = any("which agrees" in each for each in said)
    return OK if verdict.response is not Response.UNDECIDED and agrees else NOT_SO


def _follow(settings: Config, subject: Subject, guide: _Guide) -> None:
    """Read until the test is over, or nothing comes any more."""
    clock = clock_of(settings)
    named = getattr(subject.section, "temperature_from", None)
    beside = [each for each in subjects(settings) if not each.reservoir and each.name == named]
    pairing = Pairing(subject, units_of(subject))
    last_s = clock.now().mono_s

    def goes_on(now_s: float) -> bool:
        return guide.test.step is not WarmingStep.OVER and now_s - last_s <= SILENT_S

    with guide, closing(run_subjects([subject, *beside], clock, goes_on)) as samples:
        for whose, sample in samples:
            indication = pairing.take(whose, sample)
            if indication is not None:
                last_s = indication.t_s
                guide.take(indication)
            elif sample.fault:
                guide.fault(sample.fault)


class _Guide:
    """Shows what to do and what the sample does."""

    def __init__(self, test: WarmingTest, *, as_json: bool) -> None:
        self.test = test
        self._as_json = as_json
        console = Console(highlight=False)
        self._on_terminal = console.is_terminal and not as_json
        self._live = Live(console=console, auto_refresh=False, transient=True)
        self._last_fault = ""

    def begin(self) -> None:
        """Say the first step, and wait for whoever does it."""
        self._instruct()
        if self._on_terminal and sys.stdin.isatty():
            input("Enter once the probe stands in the sample: ")

    def __enter__(self) -> Self:
        if self._on_terminal:
            self._live.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._on_terminal:
            self._live.stop()

    def take(self, indication: Indication) -> None:
        """Follow one reading."""
        ended = self.test.take(indication)
        self._last_fault = ""
        if ended and self.test.step is not WarmingStep.OVER:
            self._instruct()
        elif self._on_terminal:
            self._live.update(Text(self.test.progress()), refresh=True)

    def fault(self, sentence: str) -> None:
        """Say once that no reading comes."""
        if sentence != self._last_fault and not self._as_json:
            print_text(wrapped(sentence))
        self._last_fault = sentence

    def _instruct(self) -> None:
        if self._as_json:
            facts = {"step": self.test.step.value, "instruction": self.test.instruction}
            print_text(json_line(facts))
        else:
            number = len(self.test.plateaus) + 1
            print_text("\n" + wrapped(f"{number} of 3. {self.test.instruction}"))
