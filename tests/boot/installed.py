"""The product on a booted machine: installed from this checkout, configured, and looked at."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from subprocess import CompletedProcess

from tests.boot.machine import PATIENCE_S, Machine

SOURCE, WHEELS = "/mnt/source", "/mnt/wheels"
ROOT = Path(__file__).resolve().parents[2]
UNITS = ("brinewright-measure", "brinewright-publish")
CONFIG = "/etc/brinewright/brinewright.toml"
JOURNAL = "/var/lib/brinewright/journal.db"
PROGRAM = "/usr/local/bin/brinewright"
PYTHON = "/opt/brinewright/current/bin/python"
INSTALL_WITHIN_S = 240.0
PORT = "/run/instrument/port"

FETCH = """
import sys, urllib.request
with urllib.request.urlopen(sys.argv[1], timeout=10) as answer:
    print(answer.status, answer.read().decode())
"""


def install(
    machine: Machine, *words: str, source: str = SOURCE, user: str = "root"
) -> CompletedProcess[str]:
    """Run the installer of a checkout with packages from the folder of wheels."""
    command = [f"{source}/deploy/install", "--wheels", WHEELS, *words]
    return machine.run(command, user=user, timeout_s=INSTALL_WITHIN_S)


def configure(machine: Machine, more: str = "", port: str = PORT) -> None:
    """Write a configuration for one probe on a port."""
    example = (ROOT / "deploy/brinewright.toml").read_text(encoding="utf-8")
    text = example.replace('"/dev/ttyUSB0"', f'"{port}"') + more
    machine.write(CONFIG, text, mode=0o640, owner="root:brinewright-keepers")


def show(machine: Machine, unit: str) -> dict[str, str]:
    """What the service manager knows of a unit."""
    (found,) = _show(machine, (unit,))
    return found


def both(machine: Machine, key: str) -> list[str]:
    """One property of measuring and publishing."""
    return [each[key] for each in _show(machine, UNITS)]


def _show(machine: Machine, units: Sequence[str]) -> list[dict[str, str]]:
    """What the service manager knows of some units, in their order."""
    answer = machine.ask("systemctl", "show", *units, timeout_s=PATIENCE_S)
    parts = [
        dict(line.split("=", 1) for line in part.splitlines() if "=" in line)
        for part in answer.strip().split("\n\n")
    ]
    assert len(units) == len(parts), answer
    return parts


def log_of(machine: Machine, unit: str) -> str:
    """What a unit has said in this boot."""
    return machine.run(["journalctl", "-q", "-b", "-o", "cat", "-u", unit], check=True).stdout


def fetch(machine: Machine, path: str) -> tuple[str, str]:
    """Status and text of what the page answers within the machine."""
    address = f"http://127.0.0.1:8407{path}"
    done = machine.run(["python3", "-c", FETCH, address])
    status, _, text = done.stdout.partition(" ")
    return status, text or done.stderr


def picture(machine: Machine) -> dict[str, object]:
    """The present picture of the one reservoir, as the command line gives it to a program."""
    told = machine.run([PROGRAM, "status", "--json"], check=True).stdout
    found: dict[str, object] = json.loads(told)["reservoirs"]["mix-1"]
    return found


def newest_seq(machine: Machine, what: str = "readings") -> int:
    """Number of the newest entry in the journal."""
    told = machine.run([PROGRAM, "export", what, "--format", "jsonl"], check=True).stdout
    return int(json.loads(told.splitlines()[-1])["seq"])


def until(machine: Machine, what: str, holds: Callable[[], bool], within_s: float) -> float:
    """Wait until something holds; return how long it took, s.

    Raises:
        AssertionError: It did not within the time.
    """
    began_s = time.monotonic()
    while not holds():
        if time.monotonic() - began_s > within_s:
            said = "\n".join(log_of(machine, unit)[-3000:] for unit in UNITS)
            raise AssertionError(f"{what}: not within {within_s:g} s; the units said:\n{said}")
        time.sleep(0.25)
    return time.monotonic() - began_s


def active(machine: Machine, units: Sequence[str] = UNITS) -> bool:
    """Whether all units are ready and at work."""
    return all(each["ActiveState"] == "active" for each in _show(machine, units))
