"""Every verb of the command line with words that it can be run by, on one station.

What each verb must do wherever it is run, all of them are tried for: a verb that is missing here
fails those tests.
"""

from __future__ import annotations

import contextlib
import io
import os
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from daemon.cli import calibrate_guide, command_client, status, watch
from daemon.cli.main import invoke
from daemon.entries import Entry, Instant, Kind
from daemon.journal.checkpoint import dump
from daemon.journal.writer import Writer
from tests.docs.test_docs import application
from tests.parts.calibrating import Corner, records
from tests.parts.people import Bench, a_batch
from tests.parts.snapshots import snapshot_in
from tests.parts.stories import of
from tests.unit.cli.test_cli_replay import HEADER

LINES: dict[str, str] = {
    "run": "",
    "replay": "RECORDING",
    "status": "",
    "plan": "--volume 10 --target 33 --lot blue-7",
    "correct": "--volume 10 --salinity 31 --target 33",
    "change": "--volume 100 --salinity 33 --changed 10 --new-salinity 35",
    "salinity": "--conductivity 42.914 --temperature 15",
    "batch list": "",
    "batch show": "BATCH",
    "batch start": "--mass 7241 --volume 180",
    "batch confirm": "",
    "batch reading": "--salinity 33",
    "batch note": "clear",
    "batch use": "",
    "batch discard": "",
    "batch answer": "probe-out",
    "batch sheet": "BATCH --out OUT/batch.html",
    "lot add": "red-9",
    "lot adjust": "blue-7 --left 100",
    "lot list": "",
    "lot show": "blue-7",
    "calibrate": "--reference air --unattended",
    "calibrate check": "--reference air --unattended",
    "calibrate abort": "",
    "calibrate back": "",
    "calibrate revert": "RECORD",
    "calibrate settle": "--repair cleaned",
    "calibrate list": "",
    "calibrate show": "RECORD",
    "calibrate due": "",
    "calibrate report": "RECORD --out OUT/record.html",
    "alarm list": "",
    "alarm show": "batch-off-target",
    "alarm ack": "batch-off-target",
    "alarm shelve": "batch-off-target --hours 1 --reason later",
    "alarm unshelve": "batch-off-target",
    "alarm remove-from-service": "batch-off-target --reason broken",
    "alarm return-to-service": "batch-off-target",
    "alarm catalogue": "",
    "alarm test": "",
    "export": "events",
    "probe find": "",
    "probe listen": "OUT/no-such-port --seconds 0.1",
    "probe try": "--seconds 0.2",
    "probe draft": "line",
    "simulate": "list",
    "backup create": "OUT/wing.backup",
    "backup check": "BACKUP",
    # Last, as it puts aside what the others were tried on.
    "backup restore": "BACKUP",
}
"""Verb to what follows it; words in capitals are places and names of the station's."""

WITHOUT_CONFIG = {"correct", "change", "salinity", "simulate", "backup check"}
"""Take no --config: they need no file of the service's."""
AT_AN_INSTRUMENT = {"probe listen", "probe try"}
"""Speak with an instrument, which the station of these tests does not have."""
WITHOUT_JOURNAL = WITHOUT_CONFIG | {
    "replay",
    "alarm catalogue",
    "alarm test",
    "probe find",
    "probe draft",
}
READING = {
    *("replay", "status", "plan", "export"),
    *("batch list", "batch show", "batch sheet", "lot list", "lot show"),
    *("calibrate list", "calibrate show", "calibrate due", "calibrate report"),
    *("alarm list", "alarm show", "alarm catalogue", "backup create"),
    *("probe find", "probe draft"),
}
"""Tell what is there, and change nothing."""

BACKUP = "before.backup"
"""A backup of the station, where verbs may write."""
SECTIONS = """
[station]
name = "quarantine-wing"

[journal]
path = "{journal}"

[page]
enabled = false

[notify]
urls_file = "receivers"

[[reservoir]]
name = "mix-1"
capacity_l = 220
fill_l = 180
target_ppt = 34.0
tolerance_ppt = 1.0

[[reservoir.probe]]
name = "ct-1"
driver = "line"
port = "/dev/ttyUSB0"
reply = '(?P<conductivity>[\\d.]+),(?P<temperature>[\\d.]+)'
units = {{ conductivity = "uS/cm", temperature = "degC" }}
compensation = "none"
period_s = 60
"""


@dataclass(frozen=True, slots=True)
class Output:
    """What came of one command line.

    Attributes:
        code: Its exit code.
        out: What it wrote to standard output.
        err: And to standard error.
    """

    code: int
    out: str
    err: str

    @property
    def sentences(self) -> list[str]:
        """What it complained of."""
        return self.err.splitlines()


def verbs() -> set[str]:
    """Every verb that the program has, as words."""
    return set(_verbs(application(), ()))


def _verbs(command: Any, above: tuple[str, ...]) -> list[str]:  # noqa: ANN401 - typer's tree
    below = getattr(command, "commands", {})
    own = [" ".join(above)] if above and (not below or command.invoke_without_command) else []
    return own + [each for name in below for each in _verbs(below[name], (*above, name))]


def a_station() -> tuple[list[Entry], Bench]:
    """A batch off its target, a lot and a calibration: all entries, and the station since."""
    bench = a_batch(31.5)
    assert not bench.answer("lot.add", "", name="blue-7", bought_g=20000.0).startswith("-")
    corner = Corner()
    corner.calibrate()
    return [*bench.entries, *of(corner.entries, Kind.CALIBRATION)], bench


def write_station(journal: Path, entries: list[Entry], bench: Bench) -> None:
    """Write a station's journal as measuring does, and a recording beside it."""
    # Of now, as where a service measures: what is old is said to be old.
    at = Instant(datetime.now(UTC), bench.story.t_s, bench.story.boot)
    pictures = {name: snapshot_in(bench.station, name, at) for name in ("", "mix-1")}
    with Writer(journal) as writer:
        writer.append(entries, 0.0, pictures, dump(bench.station.state))


def write_files(folder: Path, journal: Path) -> Path:
    """Write a configuration and a recording; return the configuration."""
    rows = "".join(f"2026-03-02T08:00:{second:02}Z,0.004,24.0\n" for second in range(0, 60, 5))
    (folder / "recording.csv").write_text(HEADER + rows)
    config = folder / "brinewright.toml"
    config.write_text(SECTIONS.format(journal=journal))
    return config


def back_up(config: Path, out: Path) -> None:
    """Make the backup that verbs check and restore, which everybody may read."""
    made = run_here(["backup", "create", str(out / BACKUP), "--config", str(config)])
    assert 0 == made.code, made.err
    (out / BACKUP).chmod(0o644)


def words_of(verb: str, config: Path, out: Path, entries: list[Entry]) -> list[str]:
    """The words of a verb's command line."""
    ids = {
        "BATCH": next(each.batch for each in of(entries, Kind.BATCH)),
        "RECORD": records(entries)[0].id,
        "RECORDING": str(config.with_name("recording.csv")),
        "BACKUP": str(out / BACKUP),
        "OUT": str(out),
    }
    words = [*verb.split(), *LINES[verb].split()]
    for name in sorted(ids, key=len, reverse=True):
        words = [word.replace(name, ids[name]) for word in words]
    return words if verb in WITHOUT_CONFIG | {"probe listen"} else [*words, "--config", str(config)]


def run_here(words: list[str]) -> Output:
    """Run one command line in this process, which another program may not take the place of."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = invoke(words)
    return Output(code, out.getvalue(), err.getvalue())


def run_each(lines: Mapping[str, list[str]]) -> dict[str, Output]:
    """Run command lines while nobody measures, which none waits for; none ends this process."""

    def become(_: str, words: list[str]) -> None:
        sys.stdout.write(f"becomes {words[2]}\n")
        raise SystemExit(0)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(command_client, "WAIT_S", 0.1)
        patch.setattr(calibrate_guide, "SILENT_S", 0.1)
        patch.setattr(watch, "SILENT_S", 1.0)
        # Its probe may be silent for three periods, which a rehearsal need not wait for.
        patch.setattr(status, "OLD_PERIODS", 0)
        patch.setattr(os, "execv", become)
        return {name: run_here(words) for name, words in lines.items()}
