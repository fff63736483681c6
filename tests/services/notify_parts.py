"""Parts of the tests of telling people: real receivers on loopback, a clock, and alarms."""

from __future__ import annotations

import email
import json
import logging
import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from email.message import EmailMessage
from email.policy import default
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import Envelope

from daemon.entries import JSON, Event, Instant, Kind, Phase
from daemon.journal.event_codec import body_of
from daemon.journal.reader import Reader
from daemon.journal.writer import Writer
from daemon.mixing.events import PhaseChanged
from daemon.publishing.notify.delivery import AppriseDelivery
from daemon.publishing.notify.formatter import Formatter
from daemon.publishing.notify.policy import NotificationPolicy
from daemon.publishing.notify.publisher import NotifySink, QueueStart
from daemon.publishing.notify.receivers import read_receivers
from daemon.publishing.notify.sender import capture_log, send
from tests.conftest import LOOPBACK, find_free_port, wait_until
from tests.parts.numbered import START
from tests.services.mqtt_parts import STATION

RESERVOIRS = ("mix-1", "mix-2")


def alarm(
    number: int,
    name: str = "probe-fault",
    state: str = "raised",
    reservoir: str = "mix-1",
    **facts: JSON,
) -> Event:
    """An event of an alarm, `number` seconds after the start; of medium priority unless told."""
    at = Instant(START + timedelta(seconds=number), float(number), "boot-1")
    told: dict[str, JSON] = {"name": name, "state": state, "priority": "medium"}
    told |= {"why": f"number {number}"} | facts
    return Event(reservoir, at, "lot-7", body_of(Kind.ALARM, told))


def phase(number: int, to: Phase, batch: str, why: str = "") -> Event:
    """The water of mix-1 goes to a phase, `number` seconds after the start."""
    at = Instant(START + timedelta(seconds=number), float(number), "boot-1")
    judged = to is Phase.READY
    body = PhaseChanged(
        Phase.VERIFYING,
        to,
        why,
        salinity=34.02 if judged else None,
        salinity_u=0.07 if judged else None,
    )
    return Event("mix-1", at, batch, body)


@dataclass
class Hook:
    """An HTTP server on loopback that takes what is posted or asked for, while it is up.

    Attributes:
        port: The same across down and up.
        posts: What was posted, as JSON, in order.
        paths: Paths that were asked for, in order.
        status: What it answers.
        silence: While set, it takes what comes and does not answer.
        pending: Posts that it took so.
    """

    port: int = field(default_factory=find_free_port)
    posts: list[dict[str, Any]] = field(default_factory=list)
    paths: list[str] = field(default_factory=list)
    status: int = 200
    silence: threading.Event = field(default_factory=threading.Event)
    pending: int = 0
    _talk: threading.Event = field(default_factory=threading.Event)
    _server: ThreadingHTTPServer | None = None
    _thread: threading.Thread | None = None

    @property
    def url(self) -> str:
        """Its address for the library, with something secret in it."""
        return f"json://{LOOPBACK}:{self.port}/topsecret?rto=60"

    @property
    def titles(self) -> list[str]:
        """Titles of what was posted."""
        return [str(each["title"]) for each in self.posts]

    @property
    def bodies(self) -> list[str]:
        """Texts of what was posted."""
        return [str(each["message"]) for each in self.posts]

    def up(self) -> None:
        """Listen."""
        hook = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                said = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
                hook.pending += hook.silence.is_set()
                if hook.status < 300:
                    hook.posts.append(said)
                self._answer()

            def do_GET(self) -> None:
                hook.paths.append(self.path)
                self._answer()

            def _answer(self) -> None:
                if hook.silence.is_set():
                    hook._talk.wait()
                self.send_response(hook.status)
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, *_: object) -> None:
                """Say nothing."""

        self._talk.clear()
        self._server = ThreadingHTTPServer((LOOPBACK, self.port), Handler)
        self._server.daemon_threads = True
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.02,))
        self._thread.start()

    def down(self) -> None:
        """Stop listening; nothing if it does not."""
        self._talk.set()
        if self._server is not None and self._thread is not None:
            self._server.shutdown()
            self._thread.join()
            self._server.server_close()
            self._server = None


@contextmanager
def hooked() -> Iterator[Hook]:
    """An HTTP server that is up."""
    hook = Hook()
    hook.up()
    try:
        yield hook
    finally:
        hook.down()


@dataclass
class Mailbox:
    """A mail server on loopback.

    Attributes:
        port: Where it listens; the same across down and up.
        mails: What it took, in order.
    """

    port: int = field(default_factory=find_free_port)
    mails: list[EmailMessage] = field(default_factory=list)
    _controller: Controller | None = None

    @property
    def url(self) -> str:
        """Its address for the library."""
        return f"mailto://{LOOPBACK}:{self.port}/?from=wing@example.org&to=keeper@example.org"

    async def handle_DATA(self, _server: object, _session: object, envelope: Envelope) -> str:
        """Take a mail; the name is the library's."""
        content = envelope.content
        assert isinstance(content, bytes)
        self.mails.append(email.message_from_bytes(content, _class=EmailMessage, policy=default))
        return "250 taken"

    def up(self) -> None:
        """Listen."""
        self._controller = Controller(self, hostname=LOOPBACK, port=self.port)
        self._controller.start()

    def down(self) -> None:
        """Stop listening; nothing if it does not."""
        if self._controller is not None:
            self._controller.stop()
            self._controller = None


@contextmanager
def mailing() -> Iterator[Mailbox]:
    """A mail server that is up."""
    box = Mailbox()
    box.up()
    try:
        yield box
    finally:
        box.down()


@dataclass
class Clocks:
    """Both clocks of a test, moved by hand."""

    now: datetime = START + timedelta(seconds=10)
    mono_s: float = 1000.0

    def wall(self) -> datetime:
        """Wall time."""
        return self.now

    def clock(self) -> float:
        """Monotonic seconds."""
        return self.mono_s

    def pass_by(self, span: timedelta) -> None:
        """Let time go by."""
        self.now += span
        self.mono_s += span.total_seconds()


def write_urls(folder: Path, *lines: str) -> Path:
    """Write the file of receivers, readable by its owner alone."""
    path = folder / "receivers"
    path.write_text("\n".join(lines) + "\n")
    path.chmod(0o600)
    return path


def send_here(order: Mapping[str, JSON]) -> JSON:
    """Send as the program does that has a process for each message; hours of them are quick so."""
    log = capture_log()
    try:
        return send(**{name: str(word) for name, word in order.items()}, log=log)
    finally:
        logging.getLogger("apprise").removeHandler(log)


def make_sink(
    folder: Path,
    lines: Sequence[str],
    clocks: Clocks,
    policy: NotificationPolicy | None = None,
    passed: int = 0,
) -> NotifySink:
    """Return the sink for the journal in a folder, with the real library in this process."""
    policy = policy or NotificationPolicy()
    receivers = read_receivers(write_urls(folder, *lines), RESERVOIRS)
    return NotifySink(
        {each: AppriseDelivery(each, send_here) for each in receivers},
        policy,
        Formatter(STATION, policy.zone, policy.repeat_every),
        RESERVOIRS,
        Reader(folder / "journal.db"),
        QueueStart(folder / "journal-notices.db", lambda: passed),
        clocks.wall,
        clocks.clock,
    )


@dataclass
class Desk:
    """A journal, the sink that follows it, and the clocks of both.

    Attributes:
        folder: Where all of it lies.
        lines: Of the file of receivers.
        clocks: Moved by hand.
        policy: When what is told.
    """

    folder: Path
    lines: Sequence[str]
    clocks: Clocks = field(default_factory=Clocks)
    policy: NotificationPolicy = field(default_factory=NotificationPolicy)
    _seq: int = 0

    def __post_init__(self) -> None:
        """Make journal and sink."""
        with Writer(self.folder / "journal.db"):
            self.reader = Reader(self.folder / "journal.db")
        self.sink = make_sink(self.folder, self.lines, self.clocks, self.policy)

    def happen(self, *events: Event) -> None:
        """Write events to the journal and hand them to the sink."""
        with Writer(self.folder / "journal.db") as writer:
            writer.append(list(events), 0.0)
        self.follow()

    def follow(self) -> None:
        """Hand over what is new, as following does."""
        entries = self.reader.after(self._seq)
        self.sink.deliver(entries)
        self._seq = entries[-1].seq if entries else self._seq

    def settle(self) -> None:
        """Let the sink go on until nothing is on its way and nothing more is due."""
        while True:
            self.sink.deliver([])
            if not self.sink.busy:
                return
            wait_until(self.sink.pressing, "an answer")

    def restart(self) -> None:
        """Close the sink and begin another on the same files."""
        self.sink.close()
        self.sink = make_sink(self.folder, self.lines, self.clocks, self.policy, self._seq)

    def begin_a_new_journal(self) -> None:
        """Have measuring begin a new journal; publishing goes on."""
        for old in self.folder.glob("journal.db*"):
            old.rename(old.with_name(f"old-{old.name}"))
        with Writer(self.folder / "journal.db"):
            self._seq = 0
