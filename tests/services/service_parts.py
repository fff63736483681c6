"""Parts of the tests of the whole service: a station in a folder, its processes, its instruments.

Nothing here stands in for anything: the processes are the service's own, the lines are real
pseudo-terminals, and the journal is read as any reader reads it.  Only time runs faster.
"""

from __future__ import annotations

import contextlib
import os
import random
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from daemon.entries import JSON, Event, Kind, Phase, Reading
from daemon.journal.errors import JournalError
from daemon.journal.reader import Reader, Stored
from simulators.lines import SimulatedLine, Speaker
from tests.conftest import PATIENCE_S, wait_until
from tests.parts.events import facts_in
from tests.parts.snapshots import snapshots_in

ROOT = Path(__file__).parents[2]
BATCH_S = 60.0
"""Longest wait for a whole batch, real seconds, on a busy machine."""

POLLED = r"""
name = "ct-1"
driver = "line"
port = "@PORT@"
request = "READ?\n"
reply = '(?P<conductivity>[\d.]+),(?P<temperature>[\d.]+)'
units = { conductivity = "uS/cm", temperature = "degC" }
compensation = "none"
period_s = 10
timeout_s = 10
"""
"""An instrument that is asked, as the simulators answer."""

FREE_RUNNING = POLLED.replace('request = "READ?\\n"\n', "").replace("timeout_s = 10\n", "")
"""The same instrument, talking by itself."""

LOG_LINE = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ (measure|publish|run) [A-Z]+ \S.*")


@dataclass
class Station:
    """One station in a folder of its own.

    Attributes:
        folder: Holds the configuration, the journal, the port and the logs.
        speed: How many times faster time runs; 1 is real time.
        probes: Configuration of the probe of each reservoir, `@PORT@` standing for `port`.
        more: Further lines of the configuration.
    """

    folder: Path
    speed: float = 200.0
    probes: Sequence[str] = (POLLED,)
    more: str = ""
    _seen: list[Stored] = field(default_factory=list, repr=False)

    def __post_init__(self) -> None:
        """Write the configuration; time runs faster from now on."""
        text = [
            f'[station]\nname = "quarantine-wing"\nrehearsal_speed = {self.speed:g}',
            f"rehearsal_since = {datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ}" if self.speed > 1 else "",
            '[journal]\npath = "journal.db"',
            # Tests run side by side, and each would want the page's one port.
            "" if "[page]" in self.more else "[page]\nenabled = false",
            self.more,
        ]
        for number, probe in enumerate(self.probes, start=1):
            text += [
                f'[[reservoir]]\nname = "mix-{number}"\ncapacity_l = 220\nfill_l = 180',
                "target_ppt = 34.0\ntolerance_ppt = 1.0\nsettle_within_min = 45",
                "[[reservoir.probe]]" + probe.replace("@PORT@", str(self.port(number))),
            ]
        self.config.write_text("\n".join(text) + "\n")

    @property
    def config(self) -> Path:
        """The configuration file."""
        return self.folder / "brinewright.toml"

    def port(self, number: int = 1) -> Path:
        """Where the port of a reservoir's probe is to be, counted from 1."""
        return self.folder / f"port-{number}"

    @property
    def journal(self) -> Reader:
        """The journal, to be read."""
        return Reader(self.folder / "journal.db")

    def stored(self) -> list[Stored]:
        """Everything in the journal, in order; nothing while there is none."""
        with contextlib.suppress(JournalError):
            seq = self._seen[-1].seq if self._seen else 0
            self._seen += self.journal.after(seq, 1_000_000)
        return self._seen

    def readings(self, number: int = 1) -> list[Reading]:
        """The readings of one reservoir so far."""
        entries = (item.entry for item in self.stored())
        return [e for e in entries if isinstance(e, Reading) and e.reservoir == f"mix-{number}"]

    def events(self, *kinds: Kind) -> list[Event]:
        """The events so far, of some kinds or of all."""
        entries = (item.entry for item in self.stored())
        return [e for e in entries if isinstance(e, Event) and (not kinds or e.kind in kinds)]

    def device(self) -> list[str]:
        """What the instruments said and did not say: state and reason of each device event.

        How well a probe is follows from it, later.
        """
        facts = [facts_in(event) for event in self.events(Kind.DEVICE)]
        return [
            f"{fact['state']}: {fact.get('why', '')}"
            for fact in facts
            if "probe" in fact and fact["state"] != "health"
        ]

    def picture(self, number: int = 1) -> dict[str, JSON]:
        """The present picture of one reservoir; empty while there is none."""
        try:
            picture = snapshots_in(self.journal).get(f"mix-{number}")
        except JournalError:
            return {}
        return picture if isinstance(picture, dict) else {}

    def wait_for(self, phase: Phase) -> None:
        """Wait until the first reservoir stands there."""
        self.wait_until(lambda: self.picture().get("phase") == phase, f"{phase}")

    def wait_for_readings(self, count: int, number: int = 1) -> None:
        """Wait until so many readings are in the journal."""
        self.wait_until(lambda: len(self.readings(number)) >= count, f"{count} readings")

    def wait_until(self, condition: Callable[[], bool], what: str) -> None:
        """Poll until `condition` holds, for as long as a batch may take; a traceback ends it.

        Raises:
            AssertionError: It did not come to hold; the end of every log is in the message.
        """

        def holds() -> bool:
            for log in self.folder.glob("*.log"):
                assert "Traceback" not in log.read_text(errors="replace"), f"{log} has a traceback"
            return condition()

        try:
            wait_until(holds, what, BATCH_S)
        except AssertionError as exc:
            ends = ["\n".join(lines_of(log)[-12:]) for log in self.folder.glob("*.log")]
            raise AssertionError("\n".join([str(exc), *ends])) from exc


@dataclass
class Process:
    """One process of the service or of the simulators, with all it says in a file.

    Attributes:
        words: After `python -m`.
        output: Where it writes.
        environment: What it finds in its environment besides ours.
    """

    words: Sequence[str]
    output: Path
    environment: Mapping[str, str] = field(default_factory=dict)
    _process: subprocess.Popen[bytes] | None = field(default=None, repr=False)

    def start(self) -> None:
        """Start it; what it says is added to what it said before."""
        with self.output.open("ab") as out:
            self._process = subprocess.Popen(
                [sys.executable, "-m", *self.words],
                cwd=ROOT,
                env={**os.environ, **self.environment},
                stdin=subprocess.DEVNULL,
                stdout=out,
                stderr=out,
            )

    @property
    def pid(self) -> int:
        """Its number."""
        assert self._process is not None
        return self._process.pid

    @property
    def alive(self) -> bool:
        """Whether it runs."""
        return self._process is not None and self._process.poll() is None

    @property
    def output_lines(self) -> list[str]:
        """The lines that it wrote so far."""
        return lines_of(self.output)

    def kill(self) -> None:
        """End it without warning, as a power cut does; nothing if it does not run."""
        if self._process is not None:
            self._process.kill()
            self._process.wait(PATIENCE_S)
            self._process = None

    def stop(self) -> int:
        """Ask it to end, wait, and return its exit code."""
        assert self._process is not None
        self._process.send_signal(signal.SIGTERM)
        code = self._process.wait(PATIENCE_S)
        self._process = None
        return code


@contextlib.contextmanager
def running(
    name: str, *words: str, folder: Path, environment: Mapping[str, str] | None = None
) -> Iterator[Process]:
    """Run `python -m WORDS` until the block ends."""
    process = Process(words, folder / f"{name}.log", environment or {})
    process.start()
    try:
        yield process
    finally:
        process.kill()


@contextlib.contextmanager
def measuring(station: Station) -> Iterator[Process]:
    """Run the measuring process of a station until the block ends."""
    words = ("daemon.measure", "--config", str(station.config))
    with running("measure", *words, folder=station.folder) as process:
        yield process


@contextlib.contextmanager
def playing(station: Station, story: str, *words: str) -> Iterator[Process]:
    """Play a scenario on the station's first port, in a process of its own, in step with it."""
    port, speed = str(station.port()), f"{station.speed:g}"
    line = ("simulators", "play", story, "--link", port, "--wait", "--speed", speed)
    with running("reservoir", *line, *words, folder=station.folder) as process:
        wait_until(station.port().is_symlink, "the simulated port")
        yield process


@contextlib.contextmanager
def serving(line: SimulatedLine) -> Iterator[SimulatedLine]:
    """Serve a line from a thread of this process until the block ends."""
    line.plug()
    thread = threading.Thread(target=line.serve)
    thread.start()
    try:
        yield line
    finally:
        line.stop()
        thread.join(PATIENCE_S)


@dataclass
class TroubledLine:
    """A speaker whose line can be made to carry noise, or be pulled, at any moment.

    Attributes:
        speaker: Who talks when nothing is wrong.
        noisy: While set, random bytes come instead of what is said.
        pulled: While set, the adapter is out of its socket.
        seed: Of the noise.
        noise_bytes: How much there has been.
        prefix: Bytes that come once, before what is said next.
    """

    speaker: Speaker
    noisy: threading.Event = field(default_factory=threading.Event)
    pulled: threading.Event = field(default_factory=threading.Event)
    seed: int = 1
    noise_bytes: int = 0
    prefix: bytes = b""
    lossless: bool = field(default=False, init=False)
    _dice: random.Random | None = field(default=None, init=False)

    @property
    def plugged(self) -> bool:
        """Whether the adapter is in."""
        return not self.pulled.is_set()

    def advance(self, t_s: float) -> bytes:
        """Pass on what is said, or noise."""
        return self._through(self.speaker.advance(t_s))

    def respond(self, data: bytes, t_s: float) -> bytes:
        """Pass on what is asked."""
        return self._through(self.speaker.respond(data, t_s))

    def next_s(self) -> float | None:
        """Return 0, which is at once, while there is noise."""
        return 0.0 if self.noisy.is_set() else self.speaker.next_s()

    def _through(self, said: bytes) -> bytes:
        if not self.noisy.is_set():
            burst, self.prefix = (self.prefix, b"") if said else (b"", self.prefix)
            return burst + said
        self._dice = self._dice or random.Random(self.seed)
        time.sleep(0.002)  # a line has a speed; without it the noise would fill the processor
        noise = self._dice.randbytes(16)
        self.noise_bytes += len(noise)
        return noise


def lines_of(file: Path) -> list[str]:
    """The lines of a file so far; none while there is no such file."""
    return file.read_text(errors="replace").splitlines() if file.exists() else []


def lines_with(word: str, process: Process) -> list[str]:
    """The lines of a process that hold a word."""
    return [line for line in process.output_lines if word in line]


def assert_plain_speech(process: Process) -> None:
    """Assert that a process wrote log lines and nothing else, so no traceback."""
    assert [] == [line for line in process.output_lines if not LOG_LINE.fullmatch(line)]
