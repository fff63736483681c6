"""The demo, run in this repository as a newcomer runs it."""

from __future__ import annotations

import fcntl
import json
import os
import pty
import signal
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from tests.page.page_parts import ask
from tests.services.service_parts import ROOT, lines_of
from tests.services.terminal_parts import Terminal

DEMO = ROOT / "deploy" / "demo"
FOLDER = ROOT / ".demo"
FASTEST = "120"
PAGE_PORT = 8407
PAGE = f"http://127.0.0.1:{PAGE_PORT}/"
LONGEST_S = 480.0


@pytest.fixture(autouse=True, scope="module")
def _environment_is_ready() -> None:
    """Make the demo's environment beforehand, so that no test waits for its packages."""
    subprocess.run([ROOT / "deploy" / "environment", ROOT / ".venv"], check=True, timeout=300)


def wait_for_turn() -> None:
    """Let a demo whose page is open come to its end."""
    FOLDER.mkdir(exist_ok=True)
    with (FOLDER / "lock").open("a") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)  # given up with the file


@contextmanager
def demo(*words: str) -> Iterator[subprocess.Popen[str]]:
    """Run the demo in a process group of its own, killed as a group when the block ends."""
    wait_for_turn()
    with subprocess.Popen(
        [DEMO, *words],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        start_new_session=True,
    ) as process:
        try:
            yield process
        finally:
            if process.poll() is None:
                os.killpg(process.pid, signal.SIGKILL)


@contextmanager
def demo_at_terminal(*words: str) -> Iterator[Terminal]:
    """Run the demo on a terminal of its own, and kill all of it when the block ends."""
    wait_for_turn()
    master, slave = pty.openpty()
    with subprocess.Popen(
        [DEMO, *words], stdin=slave, stdout=slave, stderr=slave, start_new_session=True
    ) as process:
        os.close(slave)
        try:
            yield Terminal(process, master)
        finally:
            if process.poll() is None:
                os.killpg(process.pid, signal.SIGKILL)
            os.close(master)


def outcome(*words: str) -> tuple[int, str]:
    """Run the demo to its end and return its exit code and all it said."""
    with demo(*words) as process:
        said, _ = process.communicate(timeout=LONGEST_S)
    return process.returncode, said


def left_running() -> list[str]:
    """Processes of a demo of this repository, by their command lines."""
    found = []
    for process in Path("/proc").glob("[0-9]*"):
        try:
            words = (process / "cmdline").read_bytes().replace(b"\0", b" ").decode(errors="replace")
            here = (process / "cwd").readlink() == ROOT
        except OSError:
            continue  # it ended while we looked
        if str(FOLDER) in words or (here and ".demo/port" in words):
            found.append(words)
    return found


def released() -> dict[str, Any]:
    """The newest batch, as `brinewright batch list --json` gives it."""
    words = ["batch", "list", "--config", str(FOLDER / "brinewright.toml"), "--json"]
    done = subprocess.run(
        [ROOT / ".venv" / "bin" / "brinewright", *words],
        capture_output=True,
        text=True,
        check=True,
        timeout=120,
    )
    batch: dict[str, Any] = json.loads(done.stdout.splitlines()[0])
    return batch


def test_the_demo_releases_a_batch_that_is_what_it_says() -> None:
    """Exit 0, a clean start, nothing left, and the true salinity within the stated interval."""
    code, said = outcome("--until-ready", "--speed", FASTEST)

    assert (0, []) == (code, left_running()), said
    batch = released()
    truth = json.loads((FOLDER / "truth.jsonl").read_text().splitlines()[-1])
    assert "ready" == batch["phase"]
    assert f"{batch['batch']} is released." in said
    assert said.startswith(f"The page will be at {PAGE}\n"), said
    assert f"The page is open: {PAGE}\n" in said
    assert "until Ctrl-C" not in said
    assert abs(truth["true_salinity"] - batch["salinity"]) <= 2 * batch["salinity_u"]
    faults = [line for line in lines_of(FOLDER / "service.log") if "fault" in line]
    # At this speed a reply has 42 ms, which a busy machine does not always give.
    assert [] == [line for line in faults if "no reply" not in line]


def test_a_demo_that_cannot_succeed_says_why() -> None:
    """With a probe that repeats itself no batch is released: exit 1, the phase and the limit."""
    words = ("--story", "stuck-probe", "--until-ready", "--within", "15", "--speed", FASTEST)
    code, said = outcome(*words)

    assert (1, []) == (code, left_running()), said
    assert "not ready within 15 min; it is dissolving: " in said
    assert "The service said last:" in said


def test_a_story_is_played_until_what_it_expects_has_been_seen() -> None:
    """It goes on after the release to its own end, with exit 0 and its alarm shown."""
    code, said = outcome("--story", "unplugged", "--speed", FASTEST)

    assert (0, []) == (code, left_running()), said
    assert "Expected: A gap and an alarm, then readings again without help; ready at 34." in said
    assert "probe-fault raised" in said, said
    assert "45 min have passed; the phase is ready." in said, said


def test_at_a_terminal_the_page_stays_until_ctrl_c() -> None:
    """After the end of the story it still answers, with the batch; then exit 0 and nothing left."""
    with demo_at_terminal("--within", "5", "--speed", FASTEST) as person:
        person.expect(f"The page will be at {PAGE}", LONGEST_S)
        person.expect(f"The page is open: {PAGE}", LONGEST_S)
        person.expect("5 min have passed", LONGEST_S)
        person.expect(f"The page stays at {PAGE} until Ctrl-C.", LONGEST_S)
        reply = ask(PAGE_PORT)
        os.killpg(person.process.pid, signal.SIGINT)
        code = person.ended()

    assert (0, []) == (code, left_running()), person.screen
    assert 200 == reply.status
    assert "mix-1" in reply.text
    assert "Traceback" not in person.screen


def test_ctrl_c_in_the_middle_leaves_nothing() -> None:
    """An interrupt to the whole group, as a terminal sends it, ends everything and frees it."""
    with demo_at_terminal("--speed", FASTEST) as person:
        person.expect("Ctrl-C ends it.", LONGEST_S)
        person.expect("mix-1", LONGEST_S)
        assert len(left_running()) >= 4
        os.killpg(person.process.pid, signal.SIGINT)
        code = person.ended()

    assert (130, []) == (code, left_running()), person.screen
    assert "Traceback" not in person.screen
    assert [] == [line for line in lines_of(FOLDER / "service.log") if "Traceback" in line]
    assert [] == [line for line in lines_of(FOLDER / "reservoir.log") if "Traceback" in line]


@pytest.mark.parametrize(
    "words, code, sentence",
    [
        (("--story", "no-such-story"), 2, "invalid choice: 'no-such-story'"),
        (("--within", "soon"), 2, "--within soon: a whole number of minutes"),
        (("--speed", "1000"), 2, "--speed 1000: a whole number from 1 to 120"),
        (("--quietly",), 2, "deploy/demo [--until-ready] [--within MIN]"),
    ],
)
def test_a_demo_asked_for_wrongly_says_so(words: tuple[str, ...], code: int, sentence: str) -> None:
    """Usage is told in a sentence, with exit 2, and nothing is left running."""
    got, said = outcome(*words)

    assert (code, []) == (got, left_running())
    assert sentence in said
