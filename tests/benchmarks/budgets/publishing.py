"""CPU of publishing an entry, and what publishing holds by what is configured."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Sequence
from contextlib import ExitStack, suppress
from dataclasses import dataclass
from pathlib import Path

from daemon.entries import Instant
from daemon.journal.cursors import cursors_path
from daemon.journal.errors import JournalError
from daemon.journal.followers import followers
from daemon.journal.reader import Reader
from daemon.journal.writer import Writer
from daemon.publishing.topic_messages import Message, entry_message
from tests.benchmarks import backfill
from tests.benchmarks.budgets.processes import as_a_unit, resident_mib
from tests.benchmarks.budgets.table import Row
from tests.conftest import Broker, find_free_port, wait_until
from tests.page.page_parts import ask
from tests.parts.numbered import START, reading
from tests.services.influx_parts import BUCKET, ORG, TOKEN, stubbing
from tests.services.mqtt_parts import STATION, write_configuration
from tests.services.notify_parts import write_urls

MEASURE_AIM_MIB, PUBLISH_AIM_MIB = 55.0, 60.0
SETTLED_S = 5.0
PATIENCE_S = 120.0
ENTRIES = 2000
FLOOR = "import gsw, sqlite3, sys; print('ready', flush=True); sys.stdin.read()"


@dataclass(frozen=True, slots=True)
class Equipment:
    """What a publishing process is configured with.

    Attributes:
        name: In words.
        mqtt: Whether it publishes to a broker.
        influx: Whether it writes to a database.
        notify: Whether it sends messages.
        opened: Whether the pages were opened that load libraries of their own.
    """

    name: str
    mqtt: bool = False
    influx: bool = False
    notify: bool = False
    opened: bool = False


EQUIPMENT = (
    Equipment("the page alone"),
    Equipment("page and broker", mqtt=True),
    Equipment("page and database", influx=True),
    Equipment("page and notifications", notify=True),
    Equipment("page, broker, database and notifications", mqtt=True, influx=True, notify=True),
    Equipment("the same, its pages opened", mqtt=True, influx=True, notify=True, opened=True),
)
OPENED = ("/", "/trend", "/batches", "/lots", "/calibrations", "/metrics")


def memory_rows(folder: Path) -> list[Row]:
    """Return what publishing holds, once it has worked through a journal."""
    bare = f"a bare interpreter with gsw and sqlite3 {_bare_mib():.0f} MiB"
    rows = []
    for number, each in enumerate(EQUIPMENT):
        place = folder / f"publish-{number}"
        place.mkdir()
        whole = each.mqtt and each.influx and each.notify and not each.opened
        aim = PUBLISH_AIM_MIB if whole else None
        what = f"memory of publishing, {each.name}"
        rows.append(Row.at_most(what, _publishing_mib(each, place), aim, "MiB", bare))
    return rows


def measure_row(measured: tuple[str, str, str]) -> Row:
    """Return the row of the measuring process, as `pipeline` measures it."""
    what, found, _ = measured
    bare = f"a bare interpreter with gsw and sqlite3 {_bare_mib():.0f} MiB"
    return Row.at_most(
        what.replace("memory", "memory of measuring"),
        float(found.split()[0]),
        MEASURE_AIM_MIB,
        "MiB",
        bare,
    )


def _publishing_mib(equipment: Equipment, folder: Path) -> float:
    with Writer(folder / "journal.db") as writer:
        writer.append([reading(number) for number in range(ENTRIES)], 0.0)
    with ExitStack() as stack:
        page_port = find_free_port()
        more = [f'[page]\nlisten = "127.0.0.1:{page_port}"']
        names = []
        port = find_free_port()
        if equipment.mqtt:
            names.append("mqtt")
            (folder / "broker").mkdir()
            broker = Broker(folder / "broker", port)
            broker.start()
            stack.callback(broker.kill)
        stub = stack.enter_context(stubbing())
        if equipment.influx:
            names.append("influx")
            token = folder / "influx-token"
            token.write_text(f"{TOKEN}\n", encoding="utf-8")
            token.chmod(0o600)
            more.append(
                f'[influx]\nurl = "{stub.url}"\norg = "{ORG}"\nbucket = "{BUCKET}"\n'
                'token_file = "influx-token"'
            )
        if equipment.notify:
            names.append("notify")
            write_urls(folder, stub.url.replace("http://", "json://"))
            more.append('[notify]\nurls_file = "receivers"')
        config = write_configuration(folder, port, *more)
        if not equipment.mqtt:
            text = config.read_text(encoding="utf-8")
            kept = [part for part in text.split("\n[") if not part.startswith("mqtt]")]
            config.write_text("\n[".join(kept), encoding="utf-8")
        with (folder / "publish.log").open("wb") as log:
            process = subprocess.Popen(
                as_a_unit("daemon.publish", "--config", str(config)),
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
            )
        stack.callback(process.wait)
        stack.callback(process.kill)
        journal = folder / "journal.db"
        now = Instant(START, 1e9, "boot-1")

        def waiting() -> int:
            with suppress(JournalError):  # it is being made
                found = followers(journal, cursors_path(journal), names, now, ENTRIES)
                return sum(each.waiting for each in found)
            return ENTRIES

        if names:
            wait_until(lambda: waiting() == 0, "all to be published", PATIENCE_S)
        time.sleep(SETTLED_S)
        for path in OPENED if equipment.opened else ():
            ask(page_port, path)
        if process.poll() is not None:
            sys.exit(f"publishing ended: {(folder / 'publish.log').read_text(encoding='utf-8')}")
        return resident_mib(process.pid)


def _bare_mib() -> float:
    with subprocess.Popen(
        [sys.executable, "-I", "-c", FLOOR], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as bare:
        assert bare.stdout is not None
        bare.stdout.readline()
        found = resident_mib(bare.pid)
        bare.kill()
    return found


def entry_row(folder: Path, seconds: int) -> Row:
    """Return the CPU of an entry published to a real broker, beside a bare client's."""
    with Writer(folder / "journal.db", 1e9) as writer:
        backfill.fill(writer, 1, seconds)
    (folder / "broker").mkdir()
    broker = Broker(folder / "broker", find_free_port(), backfill.BROKER)
    broker.start()
    try:
        stored = Reader(folder / "journal.db").after(0, seconds)
        messages: Sequence[Message] = [entry_message(STATION, each) for each in stored]
        began_s = time.process_time()
        backfill.bare(broker, messages)
        bare_us = 1e6 * (time.process_time() - began_s) / len(messages)
        heard, spent_s, _ = backfill.through_the_service(folder, broker, 1, seconds)
    finally:
        broker.kill()
    if not backfill.whole(heard, seconds):
        sys.exit("not everything came once and in order: no figure")
    name = "CPU of publishing an entry to a broker, its start included"
    return Row.of(name, 1e6 * spent_s / seconds, bare_us, "µs", None)
