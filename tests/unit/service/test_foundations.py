"""The ground that everything stands on: the locks, the environment, and the tests' own tools."""

from __future__ import annotations

import os
import re
import shutil
import socket
import subprocess
import textwrap
import tomllib
from datetime import UTC, datetime
from pathlib import Path

import pytest
import serial
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from daemon.entries import Flag, Instant, Reading
from tests.conftest import PtyPair, find_free_port

ROOT = Path(__file__).parents[3]
LOCKS = ("deploy/requirements.txt", "deploy/build-requirements.txt", "tests/requirements.txt")
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text())
GROUPS = PROJECT["dependency-groups"]
RUNTIME = PROJECT["project"]["dependencies"]
EXTRAS = [
    line for extra in PROJECT["project"].get("optional-dependencies", {}).values() for line in extra
]


def pins(lock: str) -> dict[str, str]:
    """Versions by package name in one lock file."""
    found = re.findall(r"^([A-Za-z0-9._-]+)==(\S+)", (ROOT / lock).read_text(), re.MULTILINE)
    return {canonicalize_name(name): version for name, version in found}


# --- locks --------------------------------------------------------------------------------------


@pytest.mark.parametrize("lock", LOCKS)
def test_a_lock_holds_pinned_packages_with_hashes_and_nothing_else(lock: str) -> None:
    """No address, option or unpinned package can come in through a lock file."""
    text = (ROOT / lock).read_text().replace("\\\n", " ")
    entry = re.compile(r"[a-z0-9.-]+==[\w.]+( ; [^#:/\\]+?)?( +--hash=sha256:[0-9a-f]{64})+")

    assert [] == [line for line in text.splitlines() if not entry.fullmatch(line)]
    assert len(pins(lock)) > 3


@pytest.mark.parametrize(
    "lock, asked",
    [
        ("deploy/requirements.txt", RUNTIME),
        ("deploy/build-requirements.txt", GROUPS["build"]),
        ("tests/requirements.txt", RUNTIME + EXTRAS + GROUPS["test"]),
    ],
)
def test_a_lock_satisfies_what_the_project_asks_for(lock: str, asked: list[str]) -> None:
    """A dependency added or raised without a new lock is found before it is missed."""
    locked = pins(lock)

    for requirement in map(Requirement, asked):
        version = locked.get(canonicalize_name(requirement.name))
        assert version is not None, f"{requirement.name} is not in {lock}: run deploy/lock"
        assert requirement.specifier.contains(version), f"{lock} has {version}: run deploy/lock"


def test_the_tests_run_on_the_versions_that_are_deployed() -> None:
    """What is proved with one version of a package is not deployed with another."""
    tested = pins("tests/requirements.txt")
    deployed = pins("deploy/requirements.txt") | pins("deploy/build-requirements.txt")

    assert deployed == {name: tested.get(name) for name in deployed}


def test_building_asks_for_what_is_locked() -> None:
    """The build runs without isolation, so its requirements must be those of the lock."""
    assert GROUPS["build"] == PROJECT["build-system"]["requires"]


# --- environment --------------------------------------------------------------------------------


def fake_python(folder: Path, name: str, *, version: str = "3.12.1", bits: int = 64) -> Path:
    """A program that answers as a Python of that version, and makes environments of itself.

    Each call of its pip is a line in `folder/calls`; pip fails with the text of `folder/refuse`
    if there is one.
    """
    major, minor = map(int, version.split(".")[:2])
    usable = 0 if (3, 11) <= (major, minor) < (3, 14) and bits == 64 else 1
    program = folder / name
    program.write_text(
        textwrap.dedent(f"""\
        #!/bin/bash
        shift  # -I
        case "$1 $2" in
          "- ") cat >/dev/null; echo {version} {bits} {program}; exit {usable} ;;
          "-c import ensurepip, venv") [ ! -e {folder}/no-venv ] ;;
          "-m venv")
            rm -rf "$4"/*; mkdir -p "$4/bin"; touch "$4/pyvenv.cfg"; cp {program} "$4/bin/python" ;;
          "-m pip")
            echo "$*" >>{folder}/calls
            [ ! -e {folder}/refuse ] || {{ cat {folder}/refuse; exit 1; }}
            case "$*" in *--no-deps*) install /dev/null "${{0%/*}}/brinewright" -m 755 ;; esac ;;
          "-m compileall") ;;
          *) echo "unexpected: $*" >&2; exit 99 ;;
        esac
        """)
    )
    program.chmod(0o755)
    return program


SYSTEM_PROGRAMS = (
    *("bash", "cat", "cp", "cut", "dirname", "env", "find", "flock", "grep", "install", "ls"),
    *("mkdir", "mv", "rm", "sed", "sha256sum", "sort", "tail", "touch", "uname"),
)


def make_environment(
    folder: Path, target: Path, *options: str, **more: str
) -> subprocess.CompletedProcess[str]:
    """Run deploy/environment with nothing but `folder` and the system's own programs on PATH."""
    tools = folder / "tools"
    if not tools.exists():
        tools.mkdir()
        for name in SYSTEM_PROGRAMS:
            (tools / name).symlink_to(shutil.which(name, path="/usr/bin:/bin") or f"{name}-missing")
    return subprocess.run(
        [ROOT / "deploy" / "environment", *options, target],
        env={"PATH": f"{folder}:{tools}", **more},
        capture_output=True,
        text=True,
        check=False,
    )


def calls(folder: Path) -> int:
    """How often pip was asked for something."""
    path = folder / "calls"
    return len(path.read_text().splitlines()) if path.exists() else 0


def test_an_environment_that_is_ready_is_used_without_pip(tmp_path: Path) -> None:
    """A second run asks nothing of the network, with no HOME set in either."""
    fake_python(tmp_path, "python3")
    first = make_environment(tmp_path, tmp_path / "env")
    after_first = calls(tmp_path)
    second = make_environment(tmp_path, tmp_path / "env")

    assert (0, 0) == (first.returncode, second.returncode), first.stderr + second.stderr
    assert (2, 2) == (after_first, calls(tmp_path))
    assert second.stderr == ""


@pytest.mark.parametrize("missing, again", [("stamp-packages", 4), ("stamp-project", 3)])
def test_an_interrupted_environment_is_finished(tmp_path: Path, missing: str, again: int) -> None:
    """Stamps are written last: what lacks one is done again, and only that and what follows."""
    fake_python(tmp_path, "python3")
    make_environment(tmp_path, tmp_path / "env")
    (tmp_path / "env" / missing).unlink()
    done = make_environment(tmp_path, tmp_path / "env")

    assert done.returncode == 0, done.stderr
    assert again == calls(tmp_path)


def test_another_python_makes_the_environment_again(tmp_path: Path) -> None:
    """Packages built for one Python are not kept for the next after an upgrade of the system."""
    fake_python(tmp_path, "python3", version="3.11.2")
    make_environment(tmp_path, tmp_path / "env")
    fake_python(tmp_path, "python3", version="3.13.5")
    done = make_environment(tmp_path, tmp_path / "env")

    assert done.returncode == 0, done.stderr
    assert "Python 3.13.5" in done.stderr
    assert calls(tmp_path) == 4


def test_an_environment_keeps_its_python_whichever_comes_first(tmp_path: Path) -> None:
    """A shell with another Python first in its PATH makes nothing again; PYTHON does."""
    fake_python(tmp_path, "python3.11", version="3.11.2")
    make_environment(tmp_path, tmp_path / "env")
    other = fake_python(tmp_path, "python3", version="3.12.4")
    kept = make_environment(tmp_path, tmp_path / "env")
    after_kept = calls(tmp_path)
    chosen = make_environment(tmp_path, tmp_path / "env", PYTHON=str(other))

    assert (0, "", 2) == (kept.returncode, kept.stderr, after_kept)
    assert "Python 3.12.4" in chosen.stderr
    assert 4 == calls(tmp_path)


def test_an_environment_whose_python_is_gone_is_made_again(tmp_path: Path) -> None:
    """After an upgrade of the system the next one serves."""
    fake_python(tmp_path, "python3.11", version="3.11.2")
    make_environment(tmp_path, tmp_path / "env")
    (tmp_path / "python3.11").unlink()
    fake_python(tmp_path, "python3", version="3.12.4")
    done = make_environment(tmp_path, tmp_path / "env")

    assert done.returncode == 0, done.stderr
    assert "Python 3.12.4" in done.stderr


def test_a_python_too_new_is_passed_over_for_one_that_fits(tmp_path: Path) -> None:
    """The system's python3 may be beyond what the locks are for; an older one beside it serves."""
    fake_python(tmp_path, "python3", version="3.14.0")
    fake_python(tmp_path, "python3.12")
    done = make_environment(tmp_path, tmp_path / "env")

    assert done.returncode == 0, done.stderr
    assert "Python 3.12.1" in done.stderr


@pytest.mark.parametrize(
    "version, bits, said",
    [
        ("3.9.2", 64, "python3 is Python 3.9.2 (64 bits)"),
        ("3.11.2", 32, "python3 is Python 3.11.2 (32 bits)"),
        ("3.14.0", 64, "python3 is Python 3.14.0 (64 bits)"),
    ],
)
def test_a_python_that_cannot_serve_is_named(
    tmp_path: Path, version: str, bits: int, said: str
) -> None:
    """Who has the wrong Python reads which one was found and what is wanted."""
    fake_python(tmp_path, "python3", version=version, bits=bits)
    done = make_environment(tmp_path, tmp_path / "env", PYTHON="python3")

    assert done.returncode == 69
    assert said in done.stderr
    assert "Python 3.11, 3.12 or 3.13 of a 64-bit system is needed" in done.stderr


def test_no_python_at_all_is_said(tmp_path: Path) -> None:
    """A system without Python gets the sentence, not "command not found"."""
    done = make_environment(tmp_path, tmp_path / "env", PYTHON="python3")

    assert done.returncode == 69
    assert "no Python was found" in done.stderr


def test_a_missing_venv_module_names_its_package(tmp_path: Path) -> None:
    """Debian ships Python without the module that makes environments."""
    fake_python(tmp_path, "python3")
    (tmp_path / "no-venv").touch()
    done = make_environment(tmp_path, tmp_path / "env")

    assert done.returncode == 69
    assert "lacks the module venv: sudo apt install python3-venv" in done.stderr


@pytest.mark.parametrize(
    "words, said",
    [
        ("NewConnectionError: Temporary failure in name resolution", "check the network"),
        ("ERROR: THESE PACKAGES DO NOT MATCH THE HASHES", "differs from its hash"),
        ("ERROR: No matching distribution found for gsw==3.6.23", "for Python 3.12.1 on"),
        ("SSLError(1, '[SSL: CERTIFICATE_VERIFY_FAILED] not yet valid')", "check the clock"),
        ("OSError: [Errno 28] No space left on device", "the disk is full"),
    ],
)
def test_a_failed_installation_says_why(tmp_path: Path, words: str, said: str) -> None:
    """The last words of pip are shown, its log is kept and named, and the reason is a sentence."""
    fake_python(tmp_path, "python3")
    (tmp_path / "refuse").write_text(words + "\n")
    done = make_environment(tmp_path, tmp_path / "env")

    assert done.returncode == 69
    assert words in done.stderr
    assert said in done.stderr
    assert words in (tmp_path / "env" / "install.log").read_text()
    assert not (tmp_path / "env" / "stamp-packages").exists()


def test_a_folder_with_other_files_is_left_alone(tmp_path: Path) -> None:
    """A mistyped folder is refused, not emptied."""
    fake_python(tmp_path, "python3")
    precious = tmp_path / "notes" / "lot-7.txt"
    precious.parent.mkdir()
    precious.write_text("keep")
    done = make_environment(tmp_path, precious.parent)

    assert done.returncode == 2
    assert "is no virtual environment" in done.stderr
    assert precious.read_text() == "keep"


# --- the tests' own tools -----------------------------------------------------------------------


def test_a_free_port_can_be_listened_on(free_port: int) -> None:
    """It is free, and outside the range that outgoing connections take theirs from."""
    first_outgoing = int(Path("/proc/sys/net/ipv4/ip_local_port_range").read_text().split()[0])
    with socket.create_server(("127.0.0.1", free_port)):
        assert free_port != find_free_port()

    assert free_port < first_outgoing


def test_a_serial_pair_carries_every_byte_both_ways(pty_pair: PtyPair) -> None:
    """The line is raw: nothing is echoed, translated or swallowed."""
    every = bytes(range(256))
    with serial.Serial(pty_pair.path, 9600, timeout=5, exclusive=True) as port:
        port.write(every)
        port.flush()
        said = b""
        while len(said) < 256:
            said += os.read(pty_pair.instrument, 256)
        os.write(pty_pair.instrument, every)
        heard = port.read(256)

    assert (every, every) == (said, heard)


def test_an_unplugged_serial_pair_fails_the_reader(pty_pair: PtyPair) -> None:
    """Pulling the lead is an error at the daemon's end, not silence."""
    with serial.Serial(pty_pair.path, 9600, timeout=5) as port:
        pty_pair.unplug()

        with pytest.raises((serial.SerialException, OSError)):
            port.read(1)


# --- shapes -------------------------------------------------------------------------------------


@pytest.mark.parametrize("salinity, flag", [(None, Flag.PASS), (33.0, Flag.MISSING)])
def test_a_reading_cannot_contradict_its_flag(salinity: float | None, flag: Flag) -> None:
    """A value flagged missing, or a missing value flagged good, is refused when it is made."""
    at = Instant(datetime(2026, 3, 1, tzinfo=UTC), 0.0)

    with pytest.raises(ValueError, match="contradicts flag"):
        Reading("mix-1", "ct-1", at, None, None, salinity, None, flag, {})
