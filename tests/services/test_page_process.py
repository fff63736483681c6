"""The page as the publishing process serves it: beside the sinks, and never in their way."""

from __future__ import annotations

import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from daemon.entries import Phase
from daemon.journal.writer import Writer
from daemon.page.serving.server import BURST, CONNECTIONS
from daemon.page.serving.server import listening as taking
from tests.conftest import LOOPBACK, Broker, find_free_port, wait_until
from tests.page.crowd_parts import crowding
from tests.page.page_parts import Reply, ask
from tests.parts.numbered import reading
from tests.services.mqtt_parts import Publisher, listening, write_configuration
from tests.services.service_parts import Station, playing, running

LIBRARIES_OF_PAGE = {"dygraphs", "jinja2", "markupsafe", "prometheus_client", "waitress"}
LISTENING = "0A"


def page_on(port: int) -> str:
    """The section that puts the page on a port."""
    return f'[page]\nlisten = "{LOOPBACK}:{port}"'


def answers(port: int) -> bool:
    """Whether the page answers there."""
    try:
        ask(port, "/healthz")
    except OSError:
        return False
    return True


def reply_of(port: int, path: str = "/") -> Reply:
    """Ask, once the page answers."""
    wait_until(lambda: answers(port), "the page")
    return ask(port, path)


@pytest.fixture
def writer(tmp_path: Path) -> Iterator[Writer]:
    """The writer of the journal that is published."""
    with Writer(tmp_path / "journal.db") as one:
        yield one


@pytest.fixture
def publisher(tmp_path: Path, broker: Broker, free_port: int) -> Iterator[Publisher]:
    """The publishing process with a broker and a page, not started."""
    config = write_configuration(tmp_path, broker.port, page_on(free_port))
    one = Publisher(config, tmp_path / "publish.log")
    yield one
    one.kill()


def test_the_page_needs_no_broker_and_no_journal(tmp_path: Path, free_port: int) -> None:
    """By itself it says what is missing, and ends well, with no word of slow parts."""
    config = write_configuration(tmp_path, 1883, page_on(free_port))
    text = config.read_text()
    before, after = text.split("[mqtt]")
    config.write_text(before + after[after.index("[page]") :])
    publisher = Publisher(config, tmp_path / "publish.log")
    publisher.start()
    try:
        page, health = reply_of(free_port), reply_of(free_port, "/healthz")
        code = publisher.stop()
    finally:
        publisher.kill()

    assert (200, 503) == (page.status, health.status)
    assert "nothing has been measured yet; measuring does not run; start" in health.text
    assert 0 == code
    assert {"INFO"} == {line.split()[2] for line in publisher.log}
    assert any(f"the page is at http://127.0.0.1:{free_port}/" in line for line in publisher.log)


def test_a_taken_port_leaves_publishing_unharmed(
    broker: Broker, writer: Writer, publisher: Publisher, free_port: int
) -> None:
    """The readings arrive, the log says it once, and the page comes when the port is free."""
    writer.append([reading(1), reading(2)], 0.0)
    with listening(broker) as heard:
        with closing(taking(LOOPBACK, free_port)):
            publisher.start()
            wait_until(lambda: heard.seqs() == [1, 2], "both readings")
            wait_until(lambda: any("cannot be listened on" in each for each in publisher.log), "it")
        wait_until(lambda: answers(free_port), "the page")

    assert 1 == sum("cannot be listened on" in each for each in publisher.log)
    assert [] == [each for each in publisher.log if "Traceback" in each]


def test_a_killed_page_is_there_again_at_once(
    writer: Writer, publisher: Publisher, free_port: int
) -> None:
    """Connections that were open when it was killed do not keep the port."""
    writer.append([reading(1)], 0.0)
    for _ in range(3):
        publisher.start()
        wait_until(lambda: answers(free_port), "the page")
        with socket.create_connection((LOOPBACK, free_port), timeout=5) as open_one:
            open_one.sendall(b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n")
            told = b""
            while b"</html>" not in told:
                told += open_one.recv(65_536)
            publisher.kill()
            assert open_one.recv(1) == b""  # its side closed first, so the kernel remembers it

    assert [] == [each for each in publisher.log if "cannot be listened on" in each]


def test_the_page_only_reads(writer: Writer, publisher: Publisher, free_port: int) -> None:
    """A hundred looks leave the journal as it was, and measuring writes between them."""
    writer.append([reading(1)], 0.0)
    publisher.start()
    reply_of(free_port)
    for number in range(2, 102):
        writer.append([reading(number)], float(number))
        assert 200 == ask(free_port, ("/", "/metrics")[number % 2]).status

    assert "brinewright_journal_entries_total 101.0" in ask(free_port, "/metrics").text


def test_a_publisher_that_falls_behind_is_reported(
    broker: Broker, writer: Writer, publisher: Publisher, free_port: int
) -> None:
    """In the metrics and at the foot of the page, while its broker is away and no longer."""

    def has_metric(line: str) -> bool:
        return line in reply_of(free_port, "/metrics").text.splitlines()

    writer.append([reading(1)], 0.0)
    publisher.start()
    wait_until(
        lambda: has_metric('brinewright_publisher_backlog_entries{publisher="mqtt"} 0.0'), "none"
    )
    assert has_metric('brinewright_publisher_failing{publisher="mqtt"} 0.0')
    broker.stop()
    writer.append([reading(2), reading(3)], 1.0)
    wait_until(
        lambda: has_metric('brinewright_publisher_failing{publisher="mqtt"} 1.0'), "its failure"
    )
    assert has_metric('brinewright_publisher_backlog_entries{publisher="mqtt"} 2.0')
    assert "mqtt is 2 entries behind: broker 127.0.0.1" in ask(free_port).text.replace("no ", "")
    broker.start()
    wait_until(
        lambda: has_metric('brinewright_publisher_backlog_entries{publisher="mqtt"} 0.0'), "it"
    )
    assert has_metric('brinewright_publisher_failing{publisher="mqtt"} 0.0')


def test_a_crowd_costs_few_descriptors_and_delays_nobody(
    writer: Writer, publisher: Publisher, free_port: int
) -> None:
    """Of 300 slow ones no more are kept than there are places, and each comes again."""
    writer.append([reading(1)], 0.0)
    publisher.start()
    reply_of(free_port)
    assert publisher.process is not None
    open_ones = Path(f"/proc/{publisher.process.pid}/fd")
    usual, waits, counts = len(list(open_ones.iterdir())), [], []
    with crowding(free_port, "head", "idle", "body", "reader", count=300) as crowd:
        wait_until(lambda: crowd.cut > 0, "the first to make room")
        for _ in range(10):
            began_s = time.monotonic()
            assert 200 == ask(free_port).status
            waits.append(time.monotonic() - began_s)
            counts.append(len(list(open_ones.iterdir())))

    assert [] == [each for each in waits if each > 1.0]
    assert max(counts) <= usual + CONNECTIONS + BURST + 20  # files that two looks open
    assert [] == [each for each in publisher.log if "Traceback" in each]


def children_of(pid: int) -> list[int]:
    """A process and all below it."""
    found = [pid]
    for path in Path(f"/proc/{pid}/task").glob("*/children"):
        for child in path.read_text().split():
            found += children_of(int(child))
    return found


def sockets_of(pid: int) -> set[str]:
    """Numbers of the sockets that a process has open."""
    found = set()
    for each in Path(f"/proc/{pid}/fd").iterdir():
        try:
            target = str(each.readlink())
        except OSError:
            continue  # closed while we look
        if target.startswith("socket:["):
            found.add(target[len("socket:[") : -1])
    return found


def open_to_others(pids: list[int]) -> set[str]:
    """Where processes take what comes: TCP that listens, and any UDP, as address:port in hex."""
    own = set().union(*(sockets_of(pid) for pid in pids))
    found = set()
    for table in ("tcp", "tcp6", "udp", "udp6"):
        # sl local_address rem_address st ... inode is the tenth: proc(5).
        for line in Path(f"/proc/net/{table}").read_text().splitlines()[1:]:
            fields = line.split()
            if fields[9] in own and (table.startswith("udp") or fields[3] == LISTENING):
                found.add(f"{table} {fields[1]}")
    return found


def test_nothing_listens_but_the_page_on_loopback(broker: Broker, tmp_path: Path) -> None:
    """Looked up in the kernel's own tables, while a batch runs and a broker is connected."""
    port = find_free_port()
    station = Station(
        tmp_path,
        more=f"{page_on(port)}\n"
        f'[mqtt]\nhost = "{LOOPBACK}"\nport = {broker.port}\ncommands = ["batch.use"]',
    )
    words = ("daemon.run", "--config", str(station.config))
    with (
        listening(broker) as heard,
        playing(station, "plain-batch"),
        running("run", *words, folder=tmp_path) as process,
    ):
        try:
            station.wait_until(lambda: len(heard.seqs()) > 5, "publishing")
            station.wait_until(lambda: answers(port), "the page")
            pids = children_of(process.pid)
            found = open_to_others(pids)
            station.wait_for(Phase.DISSOLVING)
            page, health = ask(port), ask(port, "/healthz")
        finally:
            process.stop()

    # 127.0.0.1 in the order of the machine's bytes, here a small-endian one.
    address = socket.inet_aton(LOOPBACK)[::-1].hex().upper()
    assert {f"tcp {address}:{port:04X}"} == found
    assert 3 == len(pids)
    assert "Salinity is not steady yet" in page.text
    assert (200, "measuring goes on\n") == (health.status, health.text)


@pytest.mark.parametrize("enabled", [True, False])
def test_a_page_that_is_turned_off_costs_no_memory(
    tmp_path: Path, writer: Writer, free_port: int, *, enabled: bool
) -> None:
    """Where it is turned off, nothing that serves, draws or describes it is loaded."""
    section = f"{page_on(free_port)}\nenabled = {str(enabled).lower()}"
    config = write_configuration(tmp_path, free_port, section)
    writer.append([reading(1)], 0.0)
    code = (
        "import sys, threading, daemon.publish as publish\n"
        "publish.follow_all = lambda *_: None\n"
        "publish.main(['--config', sys.argv[1]])\n"
        "print(*sorted(sys.modules))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, config], check=True, capture_output=True, text=True
    )
    loaded = {each for each in done.stdout.split() if each.split(".")[0] in LIBRARIES_OF_PAGE}
    loaded |= {each for each in done.stdout.split() if each.startswith("daemon.page")}

    assert enabled is bool(loaded), loaded
