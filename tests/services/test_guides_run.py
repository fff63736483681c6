"""Every command that a page shows, run on a simulated station while it measures a batch."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

from daemon.entries import Phase
from tests.docs.guides import blocks
from tests.docs.test_guides import READERS, commands_of
from tests.parts.every_verb import WITHOUT_CONFIG, run_here
from tests.services.service_parts import ROOT, Station, measuring, playing

NOT_RUN = {
    "run": "the station of this test is started already",
    "status --watch": "goes on until it is stopped; tests/services/test_demo.py watches",
    "batch answer refilled": "ends the batch; tests/unit/mixing/station/commands does it",
    "probe listen": "needs a port; tests/services/test_probe_listen.py has one",
    "probe try": "needs a port that nobody reads; tests/services/test_probe_try.py has one",
    "probe draft line": "listens to a port; tests/unit/cli/test_cli_probe_draft.py has one",
    "simulate fleet": "needs a broker; tests/services/test_fleet_simulation.py has one",
    "calibrate --reference": "is done at a terminal; tests/services/test_calibrate.py does it",
}
"""Beginnings of commands that are only parsed (tests/docs/test_docs.py), and why."""
EARLY = ("lot add", "plan", "batch start")
"""What a keeper does before the salt goes in."""
REFUSED = {
    "backup restore": (1, "measures there; stop it, then restore"),
    "alarm test": (78, "has no section [notify]"),
    "alarm ack": (1, "there is nothing to acknowledge"),
    "batch answer probe-out": (1, "nothing is asked about"),
    "batch answer same-water": (1, "nothing is asked about"),
    "calibrate list": (1, "no probe has been calibrated yet"),
}
"""Commands that this station refuses: exit code, and words of the sentence."""
EXAMPLE_BATCH = "mix-1-20260302-1"
EXAMPLE_FOLDER = "/media/stick/"


def guide_commands() -> list[str]:
    """Every command of ours in the shell blocks of the pages, once each, in order."""
    lines = [
        found[1]
        for page in READERS
        for block in blocks(page, "sh")
        for line in block.lines
        for command in commands_of(line)
        if (found := re.fullmatch(r"(?:\S*/)?brinewright (.+)", command))
    ]
    return list(dict.fromkeys(lines))


def begins(line: str, words: str) -> bool:
    """Whether a command begins with these words."""
    return f"{line} ".startswith(f"{words} ")


def run(station: Station, line: str, batch: str) -> tuple[int, str]:
    """Run one command as a page shows it; return its exit code and what it complained of."""
    words = [
        word.replace(EXAMPLE_BATCH, batch).replace(EXAMPLE_FOLDER, f"{station.folder}/stick/")
        for word in shlex.split(line)
    ]
    if not any(begins(line, verb) for verb in WITHOUT_CONFIG):
        words += ["--config", str(station.config)]
    if begins(line, "simulate"):  # another program takes the place of this process
        left = subprocess.run(
            [sys.executable, "-m", "daemon.cli.main", *words],
            cwd=ROOT,
            capture_output=True,
            text=True,
            check=False,
        )
        return left.returncode, left.stderr
    done = run_here(words)
    return done.code, done.err


def expected(line: str) -> tuple[int, str]:
    """The exit code of a command and words of its complaint."""
    return next((REFUSED[each] for each in REFUSED if begins(line, each)), (0, ""))


def test_every_command_that_a_page_shows_does_what_it_says(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Before the salt and after the release, each ends with 0 or with the refusal named here."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "stick").mkdir()
    station = Station(tmp_path)
    lines = [line for line in guide_commands() if not any(begins(line, each) for each in NOT_RUN)]
    early = [line for line in lines if any(begins(line, each) for each in EARLY)]
    with playing(station, "plain-batch"), measuring(station):
        station.wait_for(Phase.BLANK)
        done = {line: run(station, line, "") for line in early}
        station.wait_for(Phase.READY)
        batch = str(station.picture()["batch"])
        done |= {line: run(station, line, batch) for line in lines if line not in done}

    assert len(done) > 30
    assert {} == {
        line: (code, said)
        for line, (code, said) in done.items()
        if code != expected(line)[0] or expected(line)[1] not in said or (not code and said)
    }


def test_no_exception_is_left_that_no_page_needs() -> None:
    """Each command that is not run, or is refused, is one that a page shows."""
    lines = guide_commands()

    assert [] == [
        each for each in {**NOT_RUN, **REFUSED} if not any(begins(x, each) for x in lines)
    ]
