"""A day that a broker was away for: how fast it is made up, and how old what is live gets by it.

    python -m tests.benchmarks.backfill --reservoirs 1 --hours 24

The real publishing process works through a journal of a reading a second and reservoir against
a real broker on loopback, with a subscriber to everything (QoS 1) in a process of its own, while
a reading a second and reservoir is added.  The floor is a bare client that publishes the same
payloads, made beforehand, to the same broker and subscriber.  Nothing is asserted but that all
came once, in order: a slow machine is no fault.
"""

from __future__ import annotations

import argparse
import multiprocessing
import select
import socket
import statistics
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from multiprocessing.connection import Connection
from pathlib import Path
from typing import TYPE_CHECKING

from paho.mqtt.client import Client, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion

from daemon.entries import JSON, Reading
from daemon.journal.reader import Reader
from daemon.journal.writer import Writer
from daemon.publishing.topic_messages import Message, entry_message
from tests.conftest import LOOPBACK, Broker, find_free_port, wait_until
from tests.parts.numbered import reading
from tests.parts.snapshots import stored
from tests.services.mqtt_parts import STATION, Publisher, write_configuration

if TYPE_CHECKING:
    from multiprocessing.context import SpawnProcess

RATE_AIM, AGE_AIM_S = 5000.0, 1.0
PATIENCE_S = 900.0
WINDOW = 1000
BROKER = ("max_queued_messages 0", "max_inflight_messages 500", "autosave_on_changes false")
"""It writes down once a second what it holds; at each change it would do little else."""
LIVE = "age_h"
"""Fact of a picture: when it was written, seconds since 1970."""


@dataclass(frozen=True, slots=True)
class Heard:
    """What the subscriber holds in the end.

    Attributes:
        first_s: Monotonic seconds of the first entry.
        done_s: Of the last one of the backlog.
        seqs: Of every entry in the order of coming.
        ages_s: Of every picture at its coming, s.
    """

    first_s: float
    done_s: float
    seqs: list[int]
    ages_s: list[float]


@dataclass(slots=True)
class Ear:
    """A subscriber with QoS 1 that does little else, so that it takes little from the others.

    It speaks as much of MQTT 3.1.1 (OASIS, 2014: 3.1, 3.3, 3.4, 3.8) as that needs.
    """

    line: socket.socket
    _held: bytes = b""

    def subscribe(self) -> None:
        """Ask for everything of the project."""
        self.line.sendall(b"\x10\x0f\x00\x04MQTT\x04\x02\x00\x00\x00\x03ear")
        self.line.sendall(b"\x82\x12\x00\x01\x00\x0dbrinewright/#\x01")

    def receive(self) -> list[tuple[bytes, bytes]]:
        """Return topic and payload of what came, and acknowledge it."""
        self._held += self.line.recv(1 << 18)
        found, answers, at = [], b"", 0
        while (packet := self._packet(at)) is not None:
            body, after = packet
            if self._held[at] >> 4 == 3:
                end = body + 2 + int.from_bytes(self._held[body : body + 2], "big")
                kept = 2 if self._held[at] & 0b110 else 0
                answers += b"\x40\x02" + self._held[end : end + 2] if kept else b""
                found.append((self._held[body + 2 : end], self._held[end + kept : after]))
            at = after
        self._held = self._held[at:]
        if answers:
            self.line.sendall(answers)
        return found

    def _packet(self, at: int) -> tuple[int, int] | None:
        """Where the body of the packet that begins at `at` begins and ends, if it is all here."""
        length, shift, body = 0, 0, at + 1
        while body < len(self._held):
            digit = self._held[body]
            length |= (digit & 0x7F) << shift
            shift, body = shift + 7, body + 1
            if digit < 0x80:
                return (body, body + length) if body + length <= len(self._held) else None
        return None


def subscribe(port: int, backlog: int, talk: Connection) -> None:
    """Hear everything until told to end; a process of its own."""
    seqs: list[int] = []
    ages_s: list[float] = []
    times_s = [0.0, 0.0]
    with socket.create_connection((LOOPBACK, port)) as line:
        ear = Ear(line)
        ear.subscribe()
        talk.send("ready")
        while not talk.poll():
            if not select.select([line], [], [], 0.1)[0]:
                continue
            for topic, said in ear.receive():
                if topic.endswith(b"/state"):
                    told_s = float(said.partition(b'"%s":' % LIVE.encode())[2].split(b",")[0])
                    ages_s.append(time.time() - told_s)
                elif (at := said.rfind(b'"seq":')) >= 0:
                    seqs.append(int(said[at + 6 : -1]))
                    times_s[0] = times_s[0] or time.monotonic()
                    if seqs[-1] == backlog:
                        times_s[1] = time.monotonic()
                        talk.send("backlog done")
    talk.recv()
    talk.send(Heard(times_s[0], times_s[1], seqs, ages_s))


@contextmanager
def subscriber(port: int, backlog: int) -> Iterator[Connection]:
    """Run the subscriber; the connection says "ready", "backlog done" and, asked, what it heard."""
    context = multiprocessing.get_context("spawn")
    ours, theirs = context.Pipe()
    process: SpawnProcess = context.Process(target=subscribe, args=(port, backlog, theirs))
    process.start()
    try:
        expect(ours)
        yield ours
    finally:
        process.kill()
        process.join()


def expect(talk: Connection) -> object:
    """Return what the subscriber says next."""
    if not talk.poll(PATIENCE_S):
        sys.exit(f"the subscriber said nothing for {PATIENCE_S:g} s")
    return talk.recv()


def fill(writer: Writer, reservoirs: int, seconds: int) -> None:
    """Write a reading a second and reservoir."""
    for second in range(0, seconds, 500):
        span = range(second, min(second + 500, seconds))
        writer.append([at(number, place) for number in span for place in range(reservoirs)], 0.0)


def at(number: int, place: int) -> Reading:
    """A reading of a reservoir, `number` seconds after the start."""
    return replace(
        reading(number),
        reservoir=f"mix-{place + 1}",
        conductivity_mS_cm=51.0 + number % 997 / 1000,
        temperature_C=24.5 + number % 13 / 100,
        salinity=33.9 + number % 991 / 1000,
    )


def go_on(path: Path, reservoirs: int, seconds: int, stop: threading.Event) -> None:
    """Add a reading and a picture a second and reservoir until told to stop."""
    with Writer(path) as writer:
        while not stop.wait(1.0):
            seconds += 1
            pictures: dict[str, JSON] = {
                f"mix-{place + 1}": stored(phase="ready", age_h=time.time(), probe="none")
                for place in range(reservoirs)
            }
            entries = [at(seconds, place) for place in range(reservoirs)]
            writer.append(entries, float(seconds), pictures)


def cpu_s(pid: int) -> float:
    """Processor time of a process so far, user and system, s."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / 100.0


def peak_mib(pid: int) -> float:
    """The most memory that a process ever held, MiB."""
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    (found,) = (line for line in lines if line.startswith("VmHWM"))
    return int(found.split()[1]) / 1024.0


def through_the_service(
    folder: Path, broker: Broker, reservoirs: int, seconds: int
) -> tuple[Heard, float, float]:
    """Have the publishing process make up the journal; return what came, its CPU s and MiB."""
    backlog = reservoirs * seconds
    publisher = Publisher(write_configuration(folder, broker.port), folder / "publish.log")
    stop = threading.Event()
    path = folder / "journal.db"
    with subscriber(broker.port, backlog) as talk:
        adding = threading.Thread(target=go_on, args=(path, reservoirs, seconds, stop))
        adding.start()
        try:
            publisher.start()
            expect(talk)
            assert publisher.process is not None
            spent_s, memory = cpu_s(publisher.process.pid), peak_mib(publisher.process.pid)
        finally:
            publisher.kill()
            stop.set()
            adding.join()
        talk.send("end")
        heard = expect(talk)
    assert isinstance(heard, Heard)
    return heard, spent_s, memory


def bare(broker: Broker, messages: Sequence[Message]) -> float:
    """Seconds that a bare client takes to publish messages made beforehand, acknowledged."""
    client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTv5)
    client.max_inflight_messages_set(WINDOW)
    acknowledged, room = [0], threading.Semaphore(WINDOW)

    def note(*_: object) -> None:
        acknowledged[0] += 1
        room.release()

    client.on_publish = note
    with subscriber(broker.port, -1) as talk:
        client.connect(broker.host, broker.port, 60)
        client.loop_start()
        begun_s = time.monotonic()
        for message in messages:
            room.acquire()
            client.publish(message.topic, message.payload, qos=1)
        wait_until(lambda: acknowledged[0] == len(messages), "the acknowledgements", PATIENCE_S)
        took_s = time.monotonic() - begun_s
        client.disconnect()
        client.loop_stop()
        talk.send("end")
        expect(talk)
    return took_s


def whole(heard: Heard, backlog: int) -> bool:
    """Whether every entry of the backlog came, once and in order."""
    return [seq for seq in heard.seqs if seq <= backlog] == list(range(1, backlog + 1))


def table(folder: Path, reservoirs: int, seconds: int) -> list[tuple[str, str, str]]:
    """The figures, each with its aim."""
    backlog = reservoirs * seconds
    with Writer(folder / "journal.db", 1e9) as writer:
        fill(writer, reservoirs, seconds)
    (folder / "broker").mkdir()
    broker = Broker(folder / "broker", find_free_port(), BROKER)
    broker.start()
    try:
        sample = Reader(folder / "journal.db").after(0, min(backlog, 20_000))
        floor_s = bare(broker, [entry_message(STATION, each) for each in sample])
        heard, spent_s, memory = through_the_service(folder, broker, reservoirs, seconds)
    finally:
        broker.kill()
    if not whole(heard, backlog):
        sys.exit("not everything came once and in order: no figure")
    took_s = heard.done_s - heard.first_s
    rate, floor_rate = backlog / took_s, len(sample) / floor_s
    ages = sorted(heard.ages_s) or [float("nan")]
    return [
        ("entries of the backlog", f"{backlog} in {took_s:.1f} s, once and in order", ""),
        ("entries a second", f"{rate:.0f}", f"{RATE_AIM:.0f}"),
        ("bare client, the same payloads", f"{floor_rate:.0f} a second", ""),
        ("bare client's rate over ours", f"{floor_rate / rate:.2f}", ""),
        ("CPU of publishing an entry", f"{1e6 * spent_s / backlog:.0f} us", ""),
        ("age of a live state at the subscriber, longest", f"{ages[-1]:.2f} s", f"{AGE_AIM_S:g} s"),
        ("the same, median", f"{statistics.median(ages):.2f} s ({len(ages)} states)", ""),
        ("most memory of publishing", f"{memory:.1f} MiB", ""),
    ]


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.backfill")
    parser.add_argument("--reservoirs", type=int, default=1)
    parser.add_argument("--hours", type=float, default=24.0)
    wanted = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        rows = table(Path(folder), wanted.reservoirs, round(wanted.hours * 3600))
    for what, measured, aim in rows:
        sys.stdout.write(f"{what:48} {measured:36} {aim}".rstrip() + "\n")


if __name__ == "__main__":
    main()
