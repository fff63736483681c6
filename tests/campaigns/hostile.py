"""Thousands of hostile messages on every topic that the station listens to, on a real broker.

    python -m tests.campaigns.hostile --count 20000 --seed 1

The publishing process runs as the service manager starts it.  What it is sent is
drawn by hypothesis: rubbish, near misses of commands, JSON that is deep, huge,
doubled or not finite, halves of surrogates, answers wished for where the station
speaks for itself, rubbish kept by the broker in the place of announcements.
Afterwards it must be the same process, have said no traceback, take no more
memory than before, hold its topics as they were, and answer a proper command.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from daemon.config.services import COMMANDS
from daemon.journal.writer import Writer
from tests.conftest import Broker, find_free_port, wait_until
from tests.parts.hub_rules import faults
from tests.parts.numbered import reading
from tests.parts.snapshots import stored
from tests.services.mqtt_parts import STATION, Person, Publisher, present, write_configuration

HERE = f"brinewright/{STATION}"
OURS = f"homeassistant/device/brinewright-{STATION}/reservoir_mix-1/config"
GROWTH_KB = 16 * 1024
"""Of resident memory; a few messages of the largest size are under way at a time."""
AT_A_TIME = 50
PICTURE = stored(phase="ready", salinity=33.9)

SCALARS = (
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(st.characters(codec=None))
)
ANY_JSON = st.recursive(
    SCALARS,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=12,
)
NEARLY = st.fixed_dictionaries(
    {"verb": st.sampled_from(COMMANDS) | SCALARS},
    optional={
        "id": st.text(max_size=70) | ANY_JSON,
        "who": st.text(max_size=50) | ANY_JSON,
        "facts": st.dictionaries(st.text(), SCALARS, max_size=30) | ANY_JSON,
    },
)
EXTREME = [
    b"",
    b"[" * 60_000,
    b'{"a":' * 9_000 + b"1" + b"}" * 9_000,
    b'{"verb":"batch.note","verb":"batch.use"}',
    b'{"verb":"batch.use","volume_l":NaN}',
    b'{"verb":"batch.use","volume_l":' + b"9" * 5_000 + b"}",
    b'{"verb":"batch.use","volume_l":1e999}',
    b'{"verb":"batch.note","note":"\\ud800"}',
    b'{"verb":"batch.note","note":"\xed\xa0\x80"}',
    b'{"verb":"batch.note","note":"' + b"x" * 15_000 + b'"}',
    b"\x00" * 65_537,
    b"x" * 130_000,
    b"\xff" * 1_000_000,
    b"\xef\xbb\xbf{}",
    b'{"components":' + b"[" * 500 + b"]" * 500 + b"}",
    b'{"components":{"a":{"platform":"sensor","b":1},"c":7}}',
    b"online",
]
PAYLOADS = (
    st.binary(max_size=300)
    | st.text().map(lambda said: said.encode(errors="surrogatepass"))
    | (ANY_JSON | NEARLY).map(lambda said: json.dumps(said).encode())
    | NEARLY.map(lambda said: json.dumps(said).encode()[:-1])
    | st.sampled_from(EXTREME)
)
NAMES = st.text(
    st.characters(exclude_categories=("Cs", "Cc", "Cn"), exclude_characters="+#/"),
    min_size=1,
    max_size=20,
)
COMMAND_TOPICS = (
    st.sampled_from([f"{HERE}/command", f"{HERE}/mix-1/command"])
    | NAMES.map(lambda name: f"{HERE}/{name}/command")
)  # fmt: skip
TOPICS = (
    COMMAND_TOPICS
    | st.sampled_from([OURS, "homeassistant/status"])
    | NAMES.map(lambda name: f"homeassistant/device/brinewright-{STATION}/{name}/config")
)
REPLY_TOPICS = st.sampled_from(
    [
        "",
        "bench/answers",
        "x" * 5_000,
        f"{HERE}/availability",
        f"{HERE}/mix-1/state",
        f"{HERE}/mix-1/command",
        f"{HERE}/mix-1/event",
        "brinewright/north-wing/command",
        "homeassistant/status",
        OURS,
    ]
)


@dataclass(frozen=True)
class Blow:
    """One hostile message.

    Attributes:
        topic: Where it goes.
        payload: What it says.
        retain: Whether the broker is to keep it.
        reply_to: Where an answer is wished for; empty for nowhere.
        correlation: What the answer is to be known by.
        claims: Properties of MQTT 5 that are lies.
    """

    topic: str
    payload: bytes
    retain: bool
    reply_to: str
    correlation: bytes
    claims: Sequence[tuple[str, str]]

    @property
    def properties(self) -> Properties:
        """What goes with it."""
        found = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        if self.reply_to:
            found.ResponseTopic = self.reply_to
        if self.correlation:
            found.CorrelationData = self.correlation
        if self.claims:
            found.UserProperty = list(self.claims)
            found.ContentType = "application/json"
            found.PayloadFormatIndicator = 1
        return found


BLOWS = st.builds(
    Blow,
    TOPICS,
    PAYLOADS,
    st.booleans(),
    REPLY_TOPICS,
    st.binary(max_size=40) | st.just(b"c" * 3_000),
    st.lists(st.tuples(NAMES, NAMES), max_size=3),
)


@dataclass
class Outcome:
    """What came of a campaign.

    Attributes:
        sent: Hostile messages that the broker took.
        before_kb: Resident memory of the process before, kB.
        after_kb: The same afterwards.
        faults: Everything that is not as it must be.
        on: How many messages of the station went where it speaks, by topic.
    """

    sent: int = 0
    before_kb: int = 0
    after_kb: int = 0
    faults: list[str] = field(default_factory=list)
    on: Counter[str] = field(default_factory=Counter)


def resident_kb(pid: int) -> int:
    """Resident memory of a process, kB."""
    for line in Path(f"/proc/{pid}/status").read_text(encoding="ascii").splitlines():
        if line.startswith("VmRSS:"):
            return int(line.split()[1])
    raise AssertionError("the process is gone")


def draw(count: int, number: int, use: Callable[[Blow], None]) -> None:
    """Have hypothesis draw so many messages, the same for the same number."""

    @seed(number)
    @settings(
        max_examples=count,
        phases=[Phase.generate],
        database=None,
        deadline=None,
        suppress_health_check=[*HealthCheck],
    )
    @given(BLOWS)
    def each(blow: Blow) -> None:
        use(blow)

    each()


def strike(person: Person, blows: Sequence[Blow]) -> None:
    """Send messages, and wait until the broker took or refused each."""
    mids = [
        person.client.publish(
            blow.topic, blow.payload, qos=1, retain=blow.retain, properties=blow.properties
        ).mid
        for blow in blows
    ]
    wait_until(lambda: all(mid in person.codes for mid in mids), "the broker's answers", 60)
    for mid in mids:
        del person.codes[mid]


def campaign(folder: Path, broker: Broker, count: int, number: int) -> Outcome:
    """Send so many hostile messages to a station of its own; return what came of it."""
    config = write_configuration(
        folder, broker.port, f"commands = {json.dumps([*COMMANDS])}", "keepalive_s = 60"
    )
    config.write_text(config.read_text().replace("keepalive_s = 5\n", ""))
    publisher = Publisher(config, folder / "publish.log")
    found = Outcome()
    with (
        Writer(folder / "journal.db") as writer,
        present(broker, "brinewright/#", "homeassistant/#") as watcher,
        present(broker) as stranger,
    ):
        writer.append([reading(1)], 0.0, {"mix-1": PICTURE})
        publisher.start()
        try:
            wait_until(lambda: bool(watcher.on(OURS)), "the announcement", 20)
            _strike_all(stranger, publisher, count, number, found)
            _judge(watcher, stranger, publisher, found)
            _restart(broker, publisher, found)
        finally:
            publisher.kill()
    bad = ("Traceback", "ERROR", "fails", "was lost")
    found.faults += [f"said {line}" for line in publisher.log if any(word in line for word in bad)]
    return found


def _strike_all(
    stranger: Person, publisher: Publisher, count: int, number: int, found: Outcome
) -> None:
    waiting: list[Blow] = []
    assert publisher.process is not None
    pid = publisher.process.pid

    def use(blow: Blow) -> None:
        waiting.append(blow)
        if len(waiting) == AT_A_TIME:
            strike(stranger, waiting)
            found.sent += len(waiting)
            waiting.clear()
            if not found.before_kb:
                found.before_kb = resident_kb(pid)  # its buffers are there by now

    draw(count, number, use)
    strike(stranger, waiting)
    found.sent += len(waiting)


def _judge(watcher: Person, stranger: Person, publisher: Publisher, found: Outcome) -> None:
    if publisher.process is None or publisher.process.poll() is not None:
        found.faults.append("the process ended")
        return
    if not _answers(watcher, stranger):
        found.faults.append("a proper command was not answered within 30 s")
    found.after_kb = resident_kb(publisher.process.pid)
    if found.after_kb - found.before_kb > GROWTH_KB:
        found.faults.append(f"memory grew from {found.before_kb} to {found.after_kb} kB")
    found.on = Counter(each.topic for each in watcher.messages)
    if watcher.on(f"{HERE}/availability") != [b"online"]:
        found.faults.append("its availability was disturbed")
    if watcher.objects(f"{HERE}/mix-1/state") != [PICTURE]:
        found.faults.append("its picture was disturbed")
    if len(watcher.on(f"{HERE}/mix-1/reading")) != 1 or watcher.on(f"{HERE}/mix-1/event"):
        found.faults.append("its entries were disturbed")
    if foreign := [topic for topic in found.on if topic.startswith("brinewright/north-wing")]:
        found.faults.append(f"it spoke on {foreign}")


def _restart(broker: Broker, publisher: Publisher, found: Outcome) -> None:
    """See that the next run puts right what the broker keeps in our place."""
    if publisher.process is None or publisher.process.poll() is not None:
        return
    if publisher.stop() != 0:
        found.faults.append("it did not end well")
    publisher.start()
    wrong = ["nothing is kept there"]

    def right() -> bool:
        with present(broker, OURS) as late:
            wait_until(lambda: bool(late.on(OURS)), "the announcement", 20)
            kept = late.on(OURS)[-1]
        wrong[:] = faults(OURS, kept) if b"steady-since" in kept else [f"it is {kept[:60]!r}"]
        return not wrong

    try:
        wait_until(right, "the right announcement", 30)
    except AssertionError:
        found.faults.append(f"the next run did not put its announcement right: {wrong}")


def _answers(watcher: Person, stranger: Person) -> bool:
    """Whether a proper command reaches the inbox's end: its id is answered, once there is room."""
    deadline_s = time.monotonic() + 30.0
    for number in range(100):
        id_ = f"proper-{number}"
        wrong = {"id": id_, "verb": "no.such"}  # answered at once, whoever measures or not
        stranger.say(f"{HERE}/mix-1/command", wrong)
        pause_s = time.monotonic() + 0.5
        while time.monotonic() < min(pause_s, deadline_s):
            replies = list(watcher.messages)
            if any(
                id_.encode() in each.payload and each.topic.endswith("/reply") for each in replies
            ):
                return True
            time.sleep(0.02)
    return False


def main(arguments: Sequence[str] | None = None) -> int:
    """Run it; 1 if anything is not as it must be."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        (place / "broker").mkdir()
        # It would write down all the rubbish that it keeps at each message.
        calm = ("max_queued_messages 0", "autosave_on_changes false", "autosave_interval 60")
        broker = Broker(place / "broker", find_free_port(), calm)
        broker.start()
        try:
            found = campaign(place, broker, options.count, options.seed)
        finally:
            broker.kill()
    memory = f"memory {found.before_kb} kB before, {found.after_kb} kB after"
    told = [f"{found.sent} sent, {memory}", *(f"FAULT: {fault}" for fault in found.faults)]
    sys.stdout.write("\n".join(told) + "\n")
    return 1 if found.faults else 0


if __name__ == "__main__":
    sys.exit(main())
