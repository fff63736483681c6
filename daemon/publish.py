"""The publishing process: follows the journal for every sink, and serves the page; wiring only."""

from __future__ import annotations

import argparse
import logging
import os
import signal
import sys
import time
from contextlib import contextmanager
from pathlib import Path
from random import Random
from threading import Event, Thread
from typing import TYPE_CHECKING, TypeAlias

from daemon import logs
from daemon.config import find_config, load
from daemon.errors import BrinewrightError, ExitCode
from daemon.journal.cursors import Cursors, cursors_path
from daemon.journal.errors import JournalError
from daemon.journal.foreign import refuse_foreign
from daemon.journal.lock import take_lock
from daemon.journal.reader import Reader
from daemon.journal.replacement import note_path
from daemon.publishing.registry import kept_after_s, make_heartbeat, make_sinks, step_within_s
from daemon.publishing.sink import Backoff
from daemon.publishing.tail import Changes, Tail
from daemon.rights import missing_rights
from daemon.supervision import Progress, Watchdog, notify

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from logging import Logger

    from daemon.config import Config
    from daemon.page.serving.server import PageServer
    from daemon.page.trend.trend_loop import TrendLoop
    from daemon.publishing.heartbeat import HeartbeatLoop
    from daemon.publishing.sink import Sink

Beside: TypeAlias = "PageServer | HeartbeatLoop | TrendLoop"
"""What runs beside the sinks."""

EX_UNAVAILABLE = 69
EX_SOFTWARE = 70
"""One of our own threads hangs; of sysexits.h."""
EX_CONFIG = 78
POLL_S = 0.2
STOP_WITHIN_S = 4.0
HEED_EVERY_S = 1.0


def follow_all(
    config: Config,
    sinks: Sequence[Sink],
    stop: Event,
    log: Logger,
    beside: Sequence[Progress] = (),
) -> None:
    """Follow the journal with one thread a sink until `stop` is set.

    Args:
        config: The whole configuration.
        sinks: Where to publish.
        stop: Ends it.
        log: Where it is said what goes on.
        beside: Loops of other threads that are watched along with these.

    Raises:
        JournalError: The cursors cannot be kept.
    """
    path = config.journal.path
    loops = {sink.name: Progress(sink.name) for sink in sinks}
    watchdog = Watchdog((*loops.values(), *beside))
    _wait_for_journal(path, stop, log, watchdog)
    if stop.is_set():
        return
    cursors = Cursors(cursors_path(path))
    threads = []
    for sink in sinks:
        tail = Tail(
            reader=Reader(path),
            changes=Changes(path),
            cursors=cursors,
            sink=sink,
            backoff=Backoff(Random()),  # noqa: S311 - spreads retries, hides nothing
            outage=logs.Outage(log, f"publishing to {sink.name}"),
            kept_after_s=kept_after_s(config, sink.name),
            progress=loops[sink.name],
            step_within_s=step_within_s(config, sink.name),
        )
        threads.append(Thread(target=tail.run, args=(stop,), name=sink.name, daemon=True))
    for thread in threads:
        thread.start()
    # A signal that another thread takes does not end a wait of this one, which alone heeds it.
    while not stop.wait(HEED_EVERY_S):
        _vouch(watchdog, log)
    deadline_s = time.monotonic() + STOP_WITHIN_S
    for thread in threads:
        thread.join(max(0.0, deadline_s - time.monotonic()))
        if thread.is_alive():
            log.warning(
                "%s did not end in %g s; what it did not send comes again",
                thread.name,
                STOP_WITHIN_S,
            )


def _wait_for_journal(path: Path, stop: Event, log: Logger, watchdog: Watchdog) -> None:
    """Return when there is a journal, or `stop` is set.

    Raises:
        JournalError: This user may not enter its folder.
    """
    if lacking := missing_rights(path.parent):
        raise JournalError(lacking)
    if _is_there(path):
        return
    sentence = f"waiting for the journal {path}, which measuring makes"
    log.info("%s", sentence)
    # What is wrong is known, and this process cannot mend it: it is as ready as it can be.
    watchdog.ready(sentence)
    while not _is_there(path) and not stop.wait(POLL_S):
        _vouch(watchdog, log)
    watchdog.ready("publishing")


def _is_there(path: Path) -> bool:
    """Say whether there is a journal, and not one that a restore is about to replace."""
    return path.exists() and not note_path(path).exists()


def _vouch(watchdog: Watchdog, log: Logger) -> None:
    """Vouch for this process, or end it where one of its threads hangs."""
    hanging = watchdog.look()
    if not hanging:
        return
    log.error(
        "%s made no progress for too long; this process ends, and whoever watches it starts"
        " another",
        " and ".join(hanging),
    )
    logging.shutdown()
    # A thread that hangs would hold up an orderly end, too.
    os._exit(ExitCode.SOFTWARE)


def main(arguments: Sequence[str] | None = None) -> int:
    """Publish until told to stop: `python -m daemon.publish --config PATH`."""
    parser = argparse.ArgumentParser(prog="python -m daemon.publish", description=__doc__)
    parser.add_argument("--config", type=Path)
    options = parser.parse_args(arguments)
    log = logs.set_up("publish")
    try:
        config = load(find_config(options.config))
        reader = Reader(config.journal.path)
        sinks, heart = make_sinks(config, reader), make_heartbeat(config, reader)
    except BrinewrightError as exc:
        for fault in exc.sentences:
            log.error("%s", fault)  # noqa: TRY400 - sentences for the keeper, not a traceback
        return exc.exit_code
    beside = [each for each in (*_page_of(config), heart) if each is not None]
    if not sinks and not beside:
        log.info("nothing to publish to: no [mqtt], [influx], [notify] and no page is configured")
        return 0
    return _run_until_stopped(config, sinks, beside, log)


def _page_of(config: Config) -> tuple[PageServer | TrendLoop | None, ...]:
    """Return what serves the page; where it is turned off, none of its libraries is loaded."""
    if not config.page.enabled:
        return ()
    from daemon.page.page_assembly import (  # noqa: PLC0415 - 7 MB that may not be needed
        make_page,
        make_trend,
    )

    pauses = (Backoff(Random()), Backoff(Random()))  # noqa: S311 - spreads retries, hides nothing
    return make_page(config, pauses[0]), make_trend(config, pauses[1])


def _run_until_stopped(
    config: Config, sinks: Sequence[Sink], beside: Sequence[Beside], log: Logger
) -> int:
    stop = Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    try:
        refuse_foreign(config.journal.path)
        with _alone(config.journal.path), _running(beside, stop):
            follow_all(config, sinks, stop, log, [each.progress for each in beside])
    except JournalError as exc:
        log.error("%s", exc)  # noqa: TRY400 - a sentence for the keeper, not a traceback
        return exc.exit_code
    return 0


@contextmanager
def _alone(path: Path) -> Iterator[None]:
    """Keep every other publisher of the journal out meanwhile, and whoever restores it."""
    lock = take_lock(cursors_path(path), "cursors")
    try:
        yield
    finally:
        os.close(lock)


@contextmanager
def _running(beside: Sequence[Beside], stop: Event) -> Iterator[None]:
    """Run what is beside the sinks meanwhile, whatever becomes of those; it ends with the block."""
    threads = [
        Thread(target=each.run, args=(stop,), name=type(each).__name__, daemon=True)
        for each in beside
    ]
    for thread in threads:
        thread.start()
    try:
        yield
    finally:
        notify("STOPPING=1")
        stop.set()
        for thread in threads:
            thread.join(STOP_WITHIN_S)


if __name__ == "__main__":
    sys.exit(main())
