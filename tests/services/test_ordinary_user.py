"""The first steps of an ordinary user: no service, no root, and nothing that must be made first."""

from __future__ import annotations

import json
import os
import pwd
import shutil
import subprocess
import sys
import sysconfig
import threading
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from functools import cache
from pathlib import Path

import pytest

from tests.conftest import PtyPair, find_free_port, wait_until
from tests.parts.accounts import STRANGER, needs_root, open_folder
from tests.parts.configurations import configuration
from tests.services.service_parts import ROOT

pytestmark = needs_root

PROBE = r"""
[[reservoir.probe]]
name = "ct-1"
driver = "line"
port = "{port}"
reply = '(?P<conductivity>[\d.]+),(?P<temperature>[\d.]+)'
units = {{ conductivity = "mS/cm", temperature = "degC" }}
compensation = "none"
period_s = 0.2
"""


@pytest.fixture
def home() -> Iterator[Path]:
    """The home folder of a user who is nobody in particular, with nothing in it."""
    with open_folder() as top:
        folder = top / "home"
        folder.mkdir(0o700)
        os.chown(folder, STRANGER.uid, STRANGER.gid)
        if not interpreter():
            pytest.skip("every interpreter that has the packages is root's alone")
        yield folder


@cache
def interpreter() -> str:
    """A Python that an ordinary user may run, with the packages; empty where there is none.

    That of the tests may lie in root's home; the system's of the same version does as well.
    """
    for one in (sys.executable, "/usr/bin/python3"):
        with suppress(OSError):
            tried = subprocess.run(
                [one, "-c", "import daemon.cli.main, pydantic_core, re2"],
                cwd="/",
                env=environment(Path("/")),
                user=STRANGER.uid,
                group=STRANGER.gid,
                capture_output=True,
                check=False,
            )
            if not tried.returncode:
                return one
    return ""


def environment(home: Path) -> dict[str, str]:
    """What a login gives, and where the program and its packages lie."""
    name = pwd.getpwuid(STRANGER.uid).pw_name
    places = f"{ROOT}:{sysconfig.get_path('purelib')}"
    return {"HOME": str(home), "USER": name, "PATH": os.environ["PATH"], "PYTHONPATH": places}


def words(*more: str) -> list[str]:
    """The command as it is typed."""
    return [interpreter(), "-m", "daemon.cli.main", *more]


def brinewright(home: Path, *more: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    """What came of a verb that the user ran."""
    return subprocess.run(
        words(*more),
        cwd=cwd,
        env=environment(home),
        user=STRANGER.uid,
        group=STRANGER.gid,
        extra_groups=[],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


@contextmanager
def running(home: Path, *more: str) -> Iterator[subprocess.Popen[str]]:
    """Have the user run it until the block ends."""
    with subprocess.Popen(
        words("run", *more),
        cwd=home,
        env=environment(home),
        user=STRANGER.uid,
        group=STRANGER.gid,
        extra_groups=[],
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        try:
            yield process
        finally:
            process.terminate()
            process.wait(30)


@contextmanager
def talking(line: PtyPair) -> Iterator[None]:
    """An instrument that sends a reading five times a second, on a port that the user may open."""
    os.chown(line.path, STRANGER.uid, STRANGER.gid)
    over = threading.Event()

    def talk() -> None:
        while not over.wait(0.2):
            os.write(line.instrument, b"52.10,25.00\r\n")

    thread = threading.Thread(target=talk)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()


def configured(home: Path, more: str, place: str = ".config/brinewright") -> Path:
    """A configuration of the user's own."""
    folder = home / place
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "brinewright.toml"
    path.write_text(configuration(more))
    for each in (path, *path.parents):
        if each.is_relative_to(home):
            os.chown(each, STRANGER.uid, STRANGER.gid)
    return path


def test_run_status_page_and_records_agree_without_a_place_being_named(
    home: Path, pty_pair: PtyPair
) -> None:
    """Configuration and journal are found in the user's own folders by every verb."""
    page = f"127.0.0.1:{find_free_port()}"
    configured(home, f'{PROBE.format(port=pty_pair.path)}[page]\nlisten = "{page}"\n')

    with talking(pty_pair), running(home):
        wait_until(lambda: brinewright(home, "status", cwd=Path("/")).returncode == 0, "a reading")
        shown = brinewright(home, "status", "--json", cwd=Path("/"))
        noted = brinewright(home, "lot", "add", "blue-7", cwd=Path("/"))
        exported = brinewright(home, "export", cwd=Path("/"))
        backed = brinewright(home, "backup", "create", f"{home}/a.backup", cwd=Path("/"))
        with urllib.request.urlopen(f"http://{page}/healthz", timeout=10) as answer:
            health = answer.read().decode()

    found = json.loads(shown.stdout)["reservoirs"]["mix-1"]
    assert 34.0 < found["salinity"] < 35.0
    assert ("measuring goes on\n", 0, 0) == (health, noted.returncode, backed.returncode)
    assert "52.1" in exported.stdout
    assert (home / ".local/state/brinewright/journal.db").stat().st_uid == STRANGER.uid
    assert [] == [*(home / ".config/brinewright").glob("*.db")]


def test_a_second_run_ends_with_a_sentence(home: Path, pty_pair: PtyPair) -> None:
    """It is not tried again and again while the first one works."""
    configured(home, PROBE.format(port=pty_pair.path) + "[page]\nenabled = false\n")
    journal = home / ".local/state/brinewright/journal.db"

    with running(home):
        wait_until(lambda: Path(f"{journal}-wal").exists(), "the journal")
        second = brinewright(home, "run", cwd=home)

    assert 69 == second.returncode
    assert f"brinewright: journal {journal}: another brinewright is writing it" in second.stderr
    assert 1 == len(second.stderr.splitlines())


@pytest.mark.parametrize(
    "place, code, said",
    [
        ("/var/lib/brinewright/journal.db", 69, "take journal.path out of"),
        ("/nowhere/journal.db", 69, "/ may be written by root alone"),
        ("notes.txt/journal.db", 69, "notes.txt is no folder; correct journal.path"),
        ("notes.txt", 78, "notes.txt: this is a text file, which is left as it is"),
        ("records", 78, "records: this is a folder, which is left as it is"),
        ("/dev/null", 78, "/dev/null: this is a device, which is left as it is"),
        ("/proc/journal.db", 69, "/proc may be written by root alone"),
        ("locked/journal.db", 69, "locked is yours, but may not be written: chmod u+wx "),
    ],
)
@pytest.mark.parametrize("only", [[], ["--only", "measure"]], ids=["both", "measure"])
def test_a_place_that_cannot_be_is_one_sentence_at_once(
    home: Path, place: str, code: int, said: str, only: list[str]
) -> None:
    """Never a loop; what is there is left as it is."""
    (home / "notes.txt").write_text("Monday: mixed 180 L\n")
    os.chown(home / "notes.txt", STRANGER.uid, STRANGER.gid)
    for name, mode in (("records", 0o755), ("locked", 0o555)):
        (home / name).mkdir(mode)
        os.chown(home / name, STRANGER.uid, STRANGER.gid)
    more = f'[journal]\npath = "{place}"\n[page]\nenabled = false\n'
    configured(home, PROBE.format(port="no-such-port") + more, ".")
    before = sorted(each.name for each in home.iterdir())
    if place.startswith("/var/lib") and Path(place).parent.exists():
        pytest.skip("the service is installed on this machine")

    found = brinewright(home, "run", *only, cwd=home)

    assert (code, 1) == (found.returncode, len(found.stderr.splitlines()))
    assert said in found.stderr
    assert before == sorted(each.name for each in home.iterdir())
    assert "Monday: mixed 180 L\n" == (home / "notes.txt").read_text()


def test_another_programs_database_keeps_its_tables(home: Path) -> None:
    """Reading, running and backing up name what was found, and leave it."""
    folder = home / "photos"
    folder.mkdir()
    shutil.chown(folder, STRANGER.uid, STRANGER.gid)
    making = "import sqlite3; sqlite3.connect('photos/index.db').execute('CREATE TABLE photos (n)')"
    subprocess.run([sys.executable, "-c", making], cwd=home, check=True)
    os.chown(folder / "index.db", STRANGER.uid, STRANGER.gid)
    before = (folder / "index.db").read_bytes()
    configured(home, PROBE.format(port="none") + '[journal]\npath = "photos/index.db"\n', ".")

    verbs = (["run"], ["status"], ["status", "--watch"], ["batch", "list"], ["export"])
    for verb in (*verbs, ["backup", "create", "a.backup"], ["lot", "add", "blue-7"]):
        found = brinewright(home, *verb, cwd=home)
        assert "the database of another program, with photos in it" in found.stderr, verb
        assert (78, 1) == (found.returncode, len(found.stderr.splitlines())), verb
    assert (["index.db"], before) == (
        [each.name for each in folder.iterdir()],
        (folder / "index.db").read_bytes(),
    )
