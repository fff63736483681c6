"""The measuring process from its command line to its end: wiring only."""

from __future__ import annotations

import argparse
import gc
import signal
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

from daemon import __version__, assembly, logs
from daemon.config import find_config, load
from daemon.entries import Event
from daemon.errors import BrinewrightError, ExitCode
from daemon.journal.inbox_owner import OwnInbox
from daemon.journal.reader import Reader
from daemon.journal.station_restore import restore_station
from daemon.journal.upkeep import Upkeep, upkeep_of
from daemon.measure.intake import Intake
from daemon.measure.loop import Loop
from daemon.measure.open_journal import OpenJournal
from daemon.measure.recorder import Recorder
from daemon.mixing.service_events import MeasuringBegan, MeasuringEnded
from daemon.probes.registry import SECTIONS
from daemon.supervision import Reports, notify
from daemon.weights_file import load_learned

if TYPE_CHECKING:
    from collections.abc import Sequence
    from logging import Logger

    from daemon.clock import Clock
    from daemon.config import Config
    from daemon.journal.write_buffer import WriteBuffer
    from daemon.journal.writer import Writer
    from daemon.mixing.stability.weights import Weights
    from daemon.mixing.station.station import Station
    from daemon.probes.joined import Instruments


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the process: `python -m daemon.measure --config PATH`."""
    parser = argparse.ArgumentParser(prog="python -m daemon.measure", description=__doc__)
    parser.add_argument("--config", type=Path)
    options = parser.parse_args(arguments)
    log = logs.set_up("measure")
    try:
        config = load(find_config(options.config), SECTIONS)
        if not any(reservoir.probes for reservoir in config.reservoirs):
            log.error(
                "no reservoir has a probe; add a [[reservoir.probe]] section to the configuration"
            )
            return ExitCode.CONFIG
        weights = load_learned()
        measure(config, weights, log)
    except BrinewrightError as exc:
        for fault in exc.sentences:
            log.error("%s", fault)  # noqa: TRY400 - sentences for the keeper, not a traceback
        return exc.exit_code
    return ExitCode.DONE


def measure(config: Config, weights: Weights, log: Logger) -> None:
    """Measure until the process is stopped.

    Raises:
        JournalError: The journal cannot be opened.
    """
    path, clock, upkeep = config.journal.path, assembly.clock(config), upkeep_of(config, log)
    settings = assembly.reservoirs(config)
    writer, events = upkeep.open(clock.now(), "")
    with closing(writer):
        station = restore_station(path, settings, weights, log, assembly.station(config))
        instruments, inbox = assembly.instruments(config), OwnInbox(path)
        loop = make_loop(station, instruments, writer, clock, log, inbox, upkeep)
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda *_: loop.stop())
        speed = config.station.rehearsal_speed
        now = clock.now()
        began = Event("", now, "", MeasuringBegan(__version__, speed if speed > 1.0 else None))
        loop.begin(now, [*events, began], unexpected=Reader(path).ended_unasked())
        count = instruments.probes
        many = "one probe" if count == 1 else f"{count} probes"
        log.info("measuring %s into %s", many, path)
        # What the start has made stays: no collection need look at it again.
        gc.freeze()
        try:
            loop.run()
            now = clock.now()
            loop.finish(now, Event("", now, "", MeasuringEnded()))
        finally:
            notify("STOPPING=1")
            loop.close()


def make_loop(
    station: Station,
    instruments: Instruments,
    writer: Writer,
    clock: Clock,
    log: Logger,
    inbox: OwnInbox | None = None,
    upkeep: Upkeep | None = None,
    buffer: WriteBuffer | None = None,
) -> Loop:
    """Return a loop over what is ready-made; it has nothing open but the writer.

    Args:
        station: As the journal left it.
        instruments: All that is read.
        writer: Of the journal.
        clock: Of the machine, or of a rehearsal.
        log: For the keeper.
        inbox: Of commands; None for none.
        upkeep: What else is done for the journal; None for nothing.
        buffer: Of entries that cannot be written; None for the usual one.
    """
    reports = Reports(instruments.probes)
    open_again = None if upkeep is None else upkeep.open
    retention = None if upkeep is None else upkeep.retention
    host = None if upkeep is None else upkeep.host
    journal = OpenJournal(writer, clock, log, reports, open_again)
    recorder = Recorder(station, journal, log, retention, buffer)
    intake = None if inbox is None else Intake(inbox, station, recorder, clock, log)
    return Loop(station, instruments, clock, recorder, reports, intake, host)
