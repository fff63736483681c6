"""A driver is added by its page alone: one module, one line, one section."""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import sys
from pathlib import Path

from daemon.entries import Reading
from daemon.journal.reader import Reader
from tests.conftest import wait_until
from tests.docs.guides import ROOT, blocks

PAGE = "deploy/guides/driver.md"
LAST_LINE = '        "recorded": "daemon.probes.recorded",\n'
STATION = """
[station]
name = "quarantine-wing"
[[reservoir]]
name = "mix-1"
capacity_l = 220
fill_l = 180
target_ppt = 34.0
tolerance_ppt = 1.0
[journal]
path = "journal.db"
"""
WITHIN_S = 60.0
"""Against hanging alone."""


def test_a_driver_is_added_by_its_page_alone(tmp_path: Path) -> None:
    """A copy of the program with the page's module and line measures with the page's section."""
    (module,) = (block.text for block in blocks(PAGE, "python"))
    line, section = (block.text for block in blocks(PAGE, "text"))
    program = tmp_path / "program"
    for room in ("daemon", "calibration"):
        shutil.copytree(ROOT / room, program / room, ignore=shutil.ignore_patterns("__pycache__"))
    (program / "daemon/probes/newest.py").write_text(module)
    registry = program / "daemon/probes/registry.py"
    before = registry.read_text()
    registry.write_text(before.replace(LAST_LINE, LAST_LINE + line))
    config, newest = tmp_path / "brinewright.toml", tmp_path / "newest.txt"
    config.write_text(STATION.replace("[journal]", f"{section}[journal]"))
    environment = os.environ | {"PYTHONPATH": str(program), "PYTHONDONTWRITEBYTECODE": "1"}
    words = [sys.executable, "-m", "daemon.measure", "--config", str(config)]

    with subprocess.Popen(
        words, cwd=tmp_path, env=environment, stderr=subprocess.PIPE, text=True
    ) as process:
        try:

            def three_came() -> bool:
                part = newest.with_suffix(".part")
                part.write_text("42.914 24.50\n")
                part.replace(newest)
                return process.poll() is not None or len(readings(tmp_path / "journal.db")) >= 3

            wait_until(three_came, "three readings", WITHIN_S)
            process.send_signal(signal.SIGTERM)
            _, said = process.communicate(timeout=WITHIN_S)
        finally:
            process.kill()

    assert registry.read_text() != before
    assert 0 == process.returncode, said
    assert {(42.914, 24.5)} == set(readings(tmp_path / "journal.db"))


def readings(journal: Path) -> list[tuple[float | None, float | None]]:
    """The values in a journal; none while there is no journal."""
    if not journal.exists():
        return []
    try:
        entries = [each.entry for each in Reader(journal).after(0, 1000)]
    except Exception as exc:
        if "cannot be read" in str(exc) or "none yet" in str(exc):
            return []
        raise
    return [
        (each.conductivity_mS_cm, each.temperature_C)
        for each in entries
        if isinstance(each, Reading) and each.conductivity_mS_cm is not None
    ]


def test_a_driver_can_be_tried_by_hand_as_the_page_says(tmp_path: Path) -> None:
    """The page beside the drivers plays a recording and prints its rows."""
    (example,) = (block.text for block in blocks("daemon/probes/README.md", "python"))
    rows = "".join(f"2026-03-02T08:00:0{n}Z,42.91{n},24.5\n" for n in range(3))
    (tmp_path / "rows.csv").write_text("time,conductivity_mS_cm,temperature_C\n" + rows)
    done = subprocess.run(
        [sys.executable, "-c", example],
        cwd=tmp_path,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        check=False,
        timeout=WITHIN_S,
    )

    assert "" == done.stderr
    assert ["42.91 24.5", "42.911 24.5", "42.912 24.5"] == [
        re.sub(r"\s+$", "", line) for line in done.stdout.splitlines()
    ]
