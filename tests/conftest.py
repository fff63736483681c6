"""What every test may lean on: a real broker, a serial pair, a free port, and a clean-up guard."""

from __future__ import annotations

import contextlib
import ctypes
import gc
import os
import pty
import random
import shutil
import signal
import socket
import subprocess
import threading
import time
import tty
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

LOOPBACK = "127.0.0.1"
PATIENCE_S = 60.0
"""Longest wait for something that ought to take milliseconds, on a busy machine."""

settings.register_profile(
    "ci",
    deadline=None,  # a shared machine stalls; pytest-timeout ends what hangs
    derandomize=True,
    database=None,
    print_blob=True,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.register_profile("explore", deadline=None, print_blob=True)
# The same cases everywhere unless someone asks to explore: HYPOTHESIS_PROFILE=explore.
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "ci"))


def wait_until(condition: Callable[[], bool], what: str, timeout_s: float = PATIENCE_S) -> None:
    """Poll until `condition` holds.

    Args:
        condition: Asked every 10 ms.
        what: What is waited for, for the message.
        timeout_s: How long to wait, s.

    Raises:
        AssertionError: It did not come to hold in time.
    """
    deadline_s = time.monotonic() + timeout_s
    while not condition():
        if time.monotonic() > deadline_s:
            raise AssertionError(f"waited {timeout_s:g} s in vain for {what}")
        time.sleep(0.01)


# --- nothing is left behind ---------------------------------------------------------------------


def _adopt_orphans() -> None:
    """Have the grandchildren of a killed child become ours, so that the guard sees them too."""
    set_child_subreaper = 36  # PR_SET_CHILD_SUBREAPER of prctl(2), Linux 3.4
    ctypes.CDLL(None).prctl(set_child_subreaper, 1, 0, 0, 0)


def pytest_configure(config: pytest.Config) -> None:
    """Prepare the process that runs the tests."""
    # A shell that starts the tests in its background has interrupts ignored, and what is
    # started from here would inherit that.
    signal.signal(signal.SIGINT, signal.default_int_handler)
    _adopt_orphans()


def pytest_collection_finish() -> None:
    """Spare collected tests the search for garbage: they stay, 400 000 objects."""
    gc.freeze()


CHILDREN_OF_A_THREAD = Path(f"/proc/self/task/{threading.get_native_id()}/children")


def _child_numbers() -> Iterator[int]:
    """Yield the numbers of our children, of which some may have ended.

    Asked twice by every test: what the kernel lists costs a hundredth of a look at every process,
    but not every kernel is built with that list.
    """
    if CHILDREN_OF_A_THREAD.exists():
        for thread in Path("/proc/self/task").iterdir():
            with contextlib.suppress(OSError):  # it may end while we look
                yield from map(int, (thread / "children").read_text().split())
    else:
        yield from (int(each.name) for each in Path("/proc").glob("[0-9]*"))


def children() -> dict[int, str]:
    """Living child processes by number, with their command lines."""
    found = {}
    for number in _child_numbers():
        process = Path(f"/proc/{number}")
        with contextlib.suppress(OSError):
            # pid (name) state parent ...; the name may hold spaces and brackets: proc(5).
            state, parent = (process / "stat").read_text().rpartition(")")[2].split()[:2]
            if int(parent) == os.getpid() and state != "Z":
                words = (process / "cmdline").read_bytes().split(b"\0")
                found[number] = b" ".join(words).decode(errors="replace").strip()
    return found


def _threads() -> set[threading.Thread]:
    """Threads that belong to tests; the time limit's own is not one."""
    return {each for each in threading.enumerate() if "pytest_timeout" not in each.name}


def _reap(pid: int) -> None:
    """End one process and take its exit status, whoever started it."""
    with contextlib.suppress(ProcessLookupError):
        os.kill(pid, signal.SIGKILL)
    with contextlib.suppress(ChildProcessError):
        os.waitpid(pid, 0)


@pytest.fixture(autouse=True)
def _nothing_left_behind() -> Iterator[None]:
    """Fail a test that leaves a process or a thread running, and end the process."""
    children_before, threads_before = children().keys(), _threads()
    yield

    def left() -> list[str]:
        processes = [
            f"process {pid}: {line}"
            for pid, line in children().items()
            if pid not in children_before
        ]
        return processes + [f"thread {each.name}" for each in _threads() - threads_before]

    # What was told to stop is given a moment to do so.
    deadline_s = time.monotonic() + 2.0
    while left() and time.monotonic() < deadline_s:
        time.sleep(0.02)
    if still := left():
        for pid in children().keys() - children_before:
            _reap(pid)
        pytest.fail("left running: " + "; ".join(still))


# --- places to connect to -----------------------------------------------------------------------


def find_free_port() -> int:
    """A TCP port on the loopback interface that nobody listens on.

    It lies below the range from which outgoing connections take theirs (ip_local_port_range begins
    at 32768): a client that keeps trying a closed port inside that range can end up connected to
    itself.
    """
    # Not seeded: two runs on one machine must not try the same ports.
    for port in random.SystemRandom().sample(range(20000, 32000), 100):
        with socket.socket() as trial:
            try:
                trial.bind((LOOPBACK, port))
            except OSError:
                continue
            return port
    raise AssertionError("no free port among 100 tried between 20000 and 32000")


@pytest.fixture
def free_port() -> int:
    """A TCP port on the loopback interface that nobody listens on."""
    return find_free_port()


@dataclass
class Broker:
    """A real mosquitto of one test; what it wrote down survives `kill`.

    It writes at each change, but only after it has acknowledged it: what was acknowledged within
    the last milliseconds can be lost when it is killed, unless `write_down` came between.

    Attributes:
        folder: Holds its configuration, its log and its memory.
        port: On the loopback interface; the same across restarts.
        options: Further lines of its configuration, e.g. "max_queued_messages 10".
        anonymous: Whether clients need no password.
    """

    folder: Path
    port: int
    options: tuple[str, ...] = ()
    anonymous: bool = True
    host: str = LOOPBACK
    _process: subprocess.Popen[bytes] | None = field(default=None, repr=False)

    @property
    def log(self) -> str:
        """What the broker said so far."""
        path = self.folder / "mosquitto.log"
        return path.read_text(errors="replace") if path.exists() else ""

    @property
    def pid(self) -> int:
        """Number of its process, while it runs."""
        assert self._process is not None
        return self._process.pid

    def start(self) -> None:
        """Start it and wait until it takes a connection.

        Raises:
            AssertionError: It ended at once, or does not answer; its log is in the message.
        """
        assert self._process is None, "the broker runs already"
        with (self.folder / "mosquitto.log").open("ab") as log:
            self._process = subprocess.Popen(
                [_mosquitto(), "-c", self._write_configuration()],
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
            )
        try:
            wait_until(self._answers, f"the broker on port {self.port}")
        except AssertionError as exc:
            self.kill()
            raise AssertionError(f"{exc}; its log:\n{self.log}") from exc

    def stop(self) -> None:
        """Ask it to end, as a shutdown does, and wait; nothing if it does not run."""
        self._end(signal.SIGTERM)

    def kill(self) -> None:
        """End it without warning, as a power cut does; nothing if it does not run."""
        self._end(signal.SIGKILL)

    def write_down(self) -> None:
        """Have it save what it acknowledged so far, and wait until that is done."""
        assert self._process is not None
        before = self._saved()
        self._process.send_signal(signal.SIGUSR1)
        wait_until(lambda: self._saved() != before, "the broker to write down its memory")

    def freeze(self) -> None:
        """Keep it from answering while its connections stay open, until `thaw`."""
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        """Let it go on after `freeze`."""
        assert self._process is not None
        self._process.send_signal(signal.SIGCONT)

    def _end(self, how: signal.Signals) -> None:
        if self._process is None:
            return
        self._process.send_signal(how)
        self._process.send_signal(signal.SIGCONT)  # a frozen one hears SIGTERM only then
        self._process.wait(PATIENCE_S)
        self._process = None

    def _saved(self) -> tuple[int, int]:
        """Tells one saved state from the next: each is a new file renamed over the last."""
        path = self.folder / "mosquitto.db"
        return (path.stat().st_ino, path.stat().st_mtime_ns) if path.exists() else (0, 0)

    def _write_configuration(self) -> Path:
        lines = [
            "per_listener_settings false",
            f"listener {self.port} {self.host}",
            f"allow_anonymous {str(self.anonymous).lower()}",
            "persistence true",
            f"persistence_location {self.folder}/",
            # At each change: the default is every half hour.
            "autosave_interval 1",
            "autosave_on_changes true",
            *self.options,
        ]
        if os.geteuid() == 0:
            lines.append("user root")  # else it gives up root and cannot write to the folder
        path = self.folder / "mosquitto.conf"
        path.write_text("\n".join(lines) + "\n")
        return path

    def _answers(self) -> bool:
        assert self._process is not None
        if (code := self._process.poll()) is not None:
            raise AssertionError(f"the broker ended with {code}")
        try:
            socket.create_connection((self.host, self.port), timeout=1).close()
        except OSError:
            return False
        return True


def _mosquitto() -> str:
    """Path of the broker, which Debian keeps where only root looks."""
    found = shutil.which("mosquitto", path=os.environ["PATH"] + ":/usr/sbin:/usr/local/sbin")
    assert found, "the MQTT broker is missing: sudo apt install mosquitto"
    return found


@pytest.fixture
def make_broker(tmp_path: Path) -> Iterator[Callable[..., Broker]]:
    """A function that gives brokers not yet started; takes what `Broker` takes, all optional."""
    made: list[Broker] = []

    def make(*options: str, anonymous: bool = True, port: int | None = None) -> Broker:
        folder = tmp_path / f"broker-{len(made)}"
        folder.mkdir()
        broker = Broker(folder, port or find_free_port(), options, anonymous)
        made.append(broker)
        return broker

    yield make
    for broker in made:
        broker.kill()


@pytest.fixture
def broker(make_broker: Callable[..., Broker]) -> Broker:
    """A broker that runs, lets anyone in and remembers across `kill` and `start`."""
    one = make_broker()
    one.start()
    return one


@dataclass
class PtyPair:
    """Two ends of a serial line: the instrument's is a descriptor, the daemon's a path.

    Attributes:
        instrument: File descriptor to read requests from and write replies to.
        path: What the daemon opens as its port.
    """

    instrument: int
    path: str
    _far: int

    def unplug(self) -> None:
        """Pull the lead: the daemon's end fails from now on; a second time does nothing."""
        for end in (self.instrument, self._far):
            with contextlib.suppress(OSError):
                os.close(end)
        self.instrument = self._far = -1


@pytest.fixture
def pty_pair() -> Iterator[PtyPair]:
    """A serial line without hardware, raw at both ends."""
    instrument, far = pty.openpty()
    tty.setraw(instrument)
    tty.setraw(far)
    pair = PtyPair(instrument, os.ttyname(far), far)
    yield pair
    pair.unplug()
