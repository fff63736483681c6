"""Tells people of alarms: a sink that acknowledges what it has noted down for each receiver.

An alarm counts as delivered once every receiver's ledger that it belongs in is on the
card, so a receiver that is down holds up neither the journal's cursor nor the others;
what waits for it goes when it is back.  A message is struck off after the receiver has
taken it: a process killed between the two sends that one message again.

Receivers are asked one message at a time, each in a thread of its own that may hang;
all else happens in the sink's thread.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from functools import partial
from pathlib import Path
from random import Random

from daemon.journal.reader import Reader, Stored
from daemon.logs import Outage
from daemon.mixing.alarm.catalogue import Priority
from daemon.publishing.notify.attempt import Errand
from daemon.publishing.notify.delivery import Post
from daemon.publishing.notify.formatter import Teller
from daemon.publishing.notify.notice import Notice, Standing, notice_of
from daemon.publishing.notify.policy import (
    Ledger,
    Message,
    Reason,
    Rules,
    due,
    forget_all_but,
    sent,
    take,
    wind_back,
)
from daemon.publishing.notify.queue_file import NoticesFile
from daemon.publishing.notify.receivers import Receiver
from daemon.publishing.sink import BATCH, Backoff, SinkError

HUNG_S = 90.0
"""A receiver that has not answered by then is left alone; the libraries' own limits are shorter."""
HUNG_AT_MOST = 2
"""So many unanswered messages to one receiver, and it gets no further one."""
GOODBYE_S = 2.0

log = logging.getLogger("brinewright.publish")


@dataclass(slots=True)
class Line:
    """One receiver and how it is doing.

    Attributes:
        receiver: Who.
        post: The way there.
        ledger: What is to be told.
        backoff: How long it is left alone after a failure.
        outage: What is logged of failures.
        again_s: When it may be asked again, monotonic s.
        errand: The message on its way.
        message: What that says.
        fault: Why the last one was not taken; empty when it was.
        hung: Messages that were never answered.
    """

    receiver: Receiver
    post: Post
    backoff: Backoff
    outage: Outage
    ledger: Ledger
    again_s: float = float("-inf")
    errand: Errand | None = None
    message: Message | None = None
    fault: str = ""
    hung: list[Errand] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Past:
    """What the sink goes on from.

    Attributes:
        path: File of what waits.
        passed: How far the journal was handed over before, for who is new.
    """

    path: Path
    passed: Callable[[], int]


class NotifySink:
    """A sink for everybody who is told of alarms."""

    name = "notify"

    def __init__(
        self,
        posts: Mapping[Receiver, Post],
        rules: Rules,
        teller: Teller,
        reservoirs: Sequence[str],
        reader: Reader,
        past: Past,
        wall: Callable[[], datetime],
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        """Take who is told; nothing is opened yet.

        Args:
            posts: The way to each receiver.
            rules: When what is told.
            teller: How.
            reservoirs: Names of all of them.
            reader: The journal.
            past: What it goes on from.
            wall: Wall time, UTC.
            clock: Monotonic seconds.
        """
        rng = Random()  # noqa: S311 - spreads retries, hides nothing
        self._lines = [
            Line(
                receiver,
                post,
                Backoff(rng),
                Outage(log, f"telling {receiver.label}"),
                Ledger(wall()),
            )
            for receiver, post in posts.items()
        ]
        self._rules, self._teller, self._reservoirs = rules, teller, reservoirs
        self._reader, self._past = reader, past
        self._wall, self._clock = wall, clock
        self._file: NoticesFile | None = None
        self._journal = ""
        self._unsaved = False

    def deliver(self, entries: Sequence[Stored]) -> None:
        """Note down what is to be told, and go on telling; see `Sink`.

        Raises:
            SinkError: It could not be noted down; what can be told is told all the same.
            JournalError: The journal cannot be read.
        """
        if self._file is None:
            self._open()
        notices = [notice for each in entries if (notice := notice_of(each)) is not None]
        if notices or not entries:
            self._check_journal()
        for notice in notices:
            self._take(notice)
        fault = self._save()
        caught_up = len(entries) < BATCH
        for line in self._lines:
            self._collect(line)
            if caught_up:  # else what is read next may be the end of what would be told
                self._send(line)
        fault = self._save() or fault
        if fault is not None:
            raise fault

    def trouble(self) -> str:
        """Return whom no message reaches, and why; see `Forwarding`."""
        return "; ".join(
            f"{line.receiver.label} is not reached: {line.fault}"
            for line in self._lines
            if line.fault
        )

    @property
    def busy(self) -> bool:
        """Whether a message is on its way."""
        return any(line.errand is not None for line in self._lines)

    def pressing(self) -> bool:
        """Return whether a receiver has answered; see `Sink`."""
        return any(line.errand is not None and line.errand.done for line in self._lines)

    def close(self) -> None:
        """Wait a moment for what is on its way; see `Sink`."""
        until_s = self._clock() + GOODBYE_S
        for line in self._lines:
            if line.errand is not None and line.errand.wait(max(0.0, until_s - self._clock())):
                self._collect(line)
        if self._file is not None:
            if (fault := self._save()) is not None:
                log.warning("%s", fault)
            self._file.close()
            self._file = None

    def _open(self) -> None:
        file = NoticesFile(self._past.path)
        try:
            journal, ledgers = file.read()
            self._journal = self._reader.identity()
            if journal not in ("", self._journal):
                for ledger in ledgers.values():
                    wind_back(ledger, 0)
            for line in self._lines:
                line.ledger = ledgers.get(line.receiver.key) or self._begin(line.receiver)
        except BaseException:
            file.close()
            raise
        for line in self._lines:
            ledgers.pop(line.receiver.key, None)
            forget_all_but(line.ledger, self._reservoirs)
        for lost in ledgers.values():
            if lost.waiting:
                log.warning(
                    "%d messages waited for a receiver that is no longer named; they are dropped",
                    len(lost.waiting),
                )
        self._file, self._unsaved = file, True

    def _begin(self, receiver: Receiver) -> Ledger:
        """Return the ledger of somebody new, who is told of what stands by now."""
        now, last = self._wall(), self._past.passed()
        ledger = Ledger(now)
        for seq, event in self._reader.alarms() if last else []:
            notice = notice_of(Stored(seq, event))
            if notice is not None and seq <= last and receiver.wants(notice):
                take(ledger, notice, now)
        ledger.seq = last
        return ledger

    def _check_journal(self) -> None:
        """See whether the journal is another one, or an older copy of it."""
        journal, last = self._reader.identity(), self._reader.last_seq()
        if journal != self._journal:
            self._journal, last = journal, 0
        for line in self._lines:
            if line.ledger.seq > last:
                wind_back(line.ledger, last)
                self._unsaved = True

    def _take(self, notice: Notice) -> None:
        for line in self._lines:
            if line.receiver.wants(notice):
                take(line.ledger, notice, self._wall())
            line.ledger.seq = max(line.ledger.seq, notice.seq)
        self._unsaved = True

    def _save(self) -> SinkError | None:
        """Write down what changed; return why it could not be."""
        if self._file is None:
            return None
        try:
            self._file.check()
            if self._unsaved:
                kept = {line.receiver.key: line.ledger for line in self._lines}
                self._file.write(self._journal, kept)
                self._unsaved = False
        except SinkError as exc:
            return exc
        return None

    def _collect(self, line: Line) -> None:
        """See how the message on its way has fared."""
        line.hung = [each for each in line.hung if not each.done]
        errand, message, now_s = line.errand, line.message, self._clock()
        if errand is None or message is None:
            return
        if errand.done and not errand.fault:
            sent(line.ledger, message, self._wall())
            self._unsaved = True
            line.fault = ""
            line.outage.worked()
            line.backoff.worked(now_s)
        elif errand.done or now_s - errand.begun_s >= HUNG_S:
            if not errand.done:
                line.hung.append(errand)
            line.fault = errand.fault or f"no answer within {HUNG_S:g} s"
            waiting = len(line.ledger.waiting)
            line.outage.failed(f"{line.fault}; what waits ({waiting}) goes later", now_s)
            line.again_s = now_s + line.backoff.failed(now_s)
        else:
            return
        line.errand = line.message = None

    def _send(self, line: Line) -> None:
        now_s = self._clock()
        if line.errand is not None or now_s < line.again_s or len(line.hung) >= HUNG_AT_MOST:
            return
        now = self._wall()
        message = due(line.ledger, self._rules, now)
        if message is None:
            return
        call = partial(
            line.post.send,
            self._teller.title(message, now),
            self._teller.body(message, now),
            _kind(message),
        )
        line.message = message
        line.errand = Errand(call, f"notify-{line.receiver.line}", now_s)


def _kind(message: Message) -> str:
    """Return the colour of a message where a receiver has colours."""
    if message.reason is Reason.DIGEST:
        return "info"
    first = message.items[0]
    if (first.then or first.notice).standing is Standing.OVER:
        return "success"
    return "failure" if first.notice.priority is Priority.HIGH else "warning"
