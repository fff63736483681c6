"""What pages that stay open cost: CPU and memory of publishing, and whether measuring is late.

    python -m tests.benchmarks.open_pages [--minutes 10] [--counts 0 1 50]

The real service measures a simulated reservoir at 1 Hz in real time; so many clients follow the
page of the present state, as browsers do that are left open on a wall.  Late is how much longer
than its period the probe kept the journal waiting.  Nothing is asserted: a slow machine is no
fault.
"""

from __future__ import annotations

import argparse
import os
import selectors
import socket
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from tests.conftest import LOOPBACK, find_free_port, wait_until
from tests.page.page_parts import ask
from tests.services.service_parts import POLLED, Process, Station, playing, running

PERIOD_S, SETTLE_S = 1.0, 5.0
PROBE = POLLED.replace("period_s = 10", "period_s = 1").replace("timeout_s = 10\n", "")


@dataclass(frozen=True)
class Result:
    """What came of one run.

    Attributes:
        pages: How many were open.
        publish_cpu: Share of one core that publishing took.
        measure_cpu: That measuring took.
        publish_mib: Resident memory of publishing, at the end.
        events: That each page was sent, a second.
        bytes_s: That each page was sent, a second.
        late_s: The most that a reading was late, s.
    """

    pages: int
    publish_cpu: float
    measure_cpu: float
    publish_mib: float
    events: float
    bytes_s: float
    late_s: float


def play(pages: int, seconds: float) -> Result:
    """Keep so many pages open for so long."""
    with tempfile.TemporaryDirectory(prefix="bw-") as name, ExitStack() as stack:
        port = find_free_port()
        page = f'[page]\nlisten = "{LOOPBACK}:{port}"'
        station = Station(Path(name), speed=1.0, probes=(PROBE,), more=page)
        stack.enter_context(playing(station, "plain-batch"))
        config = ("--config", str(station.config))
        measure = stack.enter_context(
            running("measure", "daemon.measure", *config, folder=station.folder)
        )
        publish = stack.enter_context(
            running("publish", "daemon.publish", *config, folder=station.folder)
        )
        wait_until(lambda: _answers(port), "the page", 30.0)
        clients = stack.enter_context(_open_pages(port, pages))
        clients.read_for(SETTLE_S)
        return _measured(station, (measure, publish), clients, seconds)


@dataclass
class Clients:
    """Pages that are open, read by one thread."""

    sockets: Sequence[socket.socket]
    bytes_read: int = 0
    events: int = 0

    def read_for(self, seconds: float) -> None:
        """Read all that comes."""
        with selectors.DefaultSelector() as selector:
            for each in self.sockets:
                selector.register(each, selectors.EVENT_READ)
            until_s = time.monotonic() + seconds
            while (left_s := until_s - time.monotonic()) > 0.0:
                if not self.sockets:
                    time.sleep(left_s)
                    return
                for key, _ in selector.select(left_s):
                    data = key.fileobj.recv(65_536)  # type: ignore[union-attr]
                    if not data:
                        raise ConnectionError("the page ended one of those that follow it")
                    self.bytes_read += len(data)
                    self.events += data.count(b"event: ")


@contextmanager
def _open_pages(port: int, count: int) -> Iterator[Clients]:
    with ExitStack() as stack:
        sockets = []
        for _ in range(count):
            one = stack.enter_context(socket.create_connection((LOOPBACK, port)))
            one.sendall(b"GET /live?page=now HTTP/1.1\r\nHost: localhost\r\n\r\n")
            if not one.recv(12).endswith(b" 200"):
                raise ConnectionError("there is no such live page")
            sockets.append(one)
        yield Clients(sockets)


def _measured(
    station: Station, processes: tuple[Process, Process], clients: Clients, seconds: float
) -> Result:
    began_s, before = time.monotonic(), [_cpu_s(each.pid) for each in processes]
    clients.bytes_read = clients.events = 0
    clients.read_for(seconds)
    took_s = time.monotonic() - began_s
    after = [_cpu_s(each.pid) for each in processes]
    measure, publish = ((b - a) / took_s for a, b in zip(before, after, strict=True))
    many = max(1, len(clients.sockets))
    moments = [each.at.mono_s for _, each in station.journal.readings()]
    settled = [each for each in moments if each - moments[0] >= SETTLE_S]
    return Result(
        len(clients.sockets),
        publish,
        measure,
        _resident_mib(processes[1].pid),
        clients.events / many / took_s,
        clients.bytes_read / many / took_s,
        max(b - a for a, b in pairwise(settled)) - PERIOD_S,
    )


def _answers(port: int) -> bool:
    try:
        return ask(port, "/healthz").status > 0
    except OSError:
        return False


def _cpu_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _resident_mib(pid: int) -> float:
    lines = Path(f"/proc/{pid}/status").read_text(encoding="ascii").splitlines()
    return int(next(each for each in lines if each.startswith("VmRSS")).split()[1]) / 1024.0


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--counts", type=int, nargs="+", default=[0, 1, 50])
    options = parser.parse_args()
    write = sys.stdout.write
    write("pages  CPU publish  CPU measure  memory    events/s  bytes/s  latest reading\n")
    for count in options.counts:
        one = play(count, options.minutes * 60.0)
        write(
            f"{one.pages:5d}  {100 * one.publish_cpu:9.2f} %  {100 * one.measure_cpu:9.2f} %"
            f"  {one.publish_mib:5.1f} MiB  {one.events:6.2f}  {one.bytes_s:7.0f}"
            f"  {one.late_s:+.3f} s\n"
        )
        sys.stdout.flush()


if __name__ == "__main__":
    main()
