"""What slow connections cost the page: memory and CPU of publishing, and how long others wait.

    python -m tests.benchmarks.crowd [60 200 1000]

The process is the service's own; the clients come from another one.  Each row is one kind of
slowness, held for ten seconds; whoever is cut off comes again at once.
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from daemon.entries import JSON
from daemon.journal.writer import Writer
from tests.conftest import LOOPBACK, find_free_port, wait_until
from tests.page.crowd_parts import KINDS, crowding
from tests.page.page_parts import SNAPSHOT, ask
from tests.parts.numbered import reading
from tests.services.mqtt_parts import Publisher, write_configuration

COUNTS = (60, 200, 1000)
LASTS_S = 10.0
PAUSE_S = 0.25


@contextmanager
def station(folder: Path) -> Iterator[tuple[int, int]]:
    """Serve a small journal; give the port and the number of the process."""
    port = find_free_port()
    config = write_configuration(folder, 1883, f'[page]\nlisten = "{LOOPBACK}:{port}"')
    text = config.read_text()
    config.write_text(text[: text.index("[mqtt]")] + text[text.index("[page]") :])
    picture: dict[str, JSON] = {"mix-1": SNAPSHOT}
    publisher = Publisher(config, folder / "publish.log")
    with Writer(folder / "journal.db") as writer:
        writer.append([reading(1)], 0.0, picture)
        publisher.start()
        assert publisher.process is not None
        try:
            wait_until(lambda: _waits(port) is not None, "the page")
            yield port, publisher.process.pid
        finally:
            publisher.kill()


def _waits(port: int) -> float | None:
    """How long an ordinary request takes, s; None where it is not answered."""
    began_s = time.monotonic()
    try:
        ask(port)
    except OSError:
        return None
    return time.monotonic() - began_s


def _cpu_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _memory_mib(pid: int) -> float:
    pages = int(Path(f"/proc/{pid}/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 2**20


def row(kind: str, count: int) -> str:
    """Measure one crowd on a process of its own."""
    with tempfile.TemporaryDirectory() as name, station(Path(name)) as (port, pid):
        before_mib, waits = _memory_mib(pid), []
        with crowding(port, *kind.split("+"), count=count) as crowd:
            cpu_s, began_s, cut = _cpu_s(pid), time.monotonic(), crowd.cut
            while time.monotonic() < began_s + LASTS_S:
                waits.append(_waits(port))
                time.sleep(PAUSE_S)
            lasted_s = time.monotonic() - began_s
            cpu = 100.0 * (_cpu_s(pid) - cpu_s) / lasted_s
            more_mib, cut_per_s = _memory_mib(pid) - before_mib, (crowd.cut - cut) / lasted_s
    answered = sorted(each for each in waits if each is not None)
    median, worst = (answered[len(answered) // 2], answered[-1]) if answered else (0.0, 0.0)
    return (
        f"| {count} | {kind} | {median * 1000:.0f} | {worst * 1000:.0f} |"
        f" {len(waits) - len(answered)} of {len(waits)} | {more_mib:.1f} | {cpu:.0f} |"
        f" {cut_per_s:.0f} |"
    )


def main() -> None:
    """Print the table."""
    counts = [int(word) for word in sys.argv[1:]] or COUNTS
    out = sys.stdout.write
    out("| clients | kind | others wait, ms | longest | unanswered | MiB | CPU, % | cut in 1 s |\n")
    out("| --- | --- | --- | --- | --- | --- | --- | --- |\n")
    for count in counts:
        for kind in (*KINDS, "idle+head"):
            out(row(kind, count) + "\n")
            sys.stdout.flush()


if __name__ == "__main__":
    main()
