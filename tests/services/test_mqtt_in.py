"""A node that publishes, a real broker, and the driver that reads it."""

from __future__ import annotations

import subprocess
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from daemon.entries import Sample
from simulators.mqtt_packets import Message
from simulators.publishing_node import NodeCharacter, PublishingNode
from tests.conftest import LOOPBACK, Broker, find_free_port, wait_until
from tests.parts.driver_run import SPEED, DriverRun, running
from tests.services.mqtt_parts import make_certificates

pytestmark = pytest.mark.server

BASE = "fish-room/mix-1"
WATER = f"{BASE}/water"
PERIOD_S = 3.0
OBJECT = f"""
conductivity = {{ topic = "{WATER}", value = "/conductivity", unit = "/unit" }}
temperature = {{ topic = "{WATER}", value = "/temperature" }}
"""
STAMPED = f"""
conductivity = {{ topic = "{WATER}", value = "/conductivity", time = "/time", time_form = "s" }}
temperature = {{ topic = "{WATER}", value = "/temperature", time = "/time", time_form = "s" }}
"""
WATCHED = f'availability = {{ topic = "{BASE}/status" }}\n'
PLAIN = f"""
conductivity = {{ topic = "{BASE}/conductivity" }}
temperature = {{ topic = "{BASE}/temperature" }}
"""
COMMON = f"""
driver = "mqtt_in"
host = "{LOOPBACK}"
units = {{ conductivity = "mS/cm", temperature = "degC" }}
compensation = "none"
"""


def keys(broker: Broker | int, *more: str, period_s: float = PERIOD_S) -> str:
    """The keys of a probe at a broker, or on a port."""
    port = broker if isinstance(broker, int) else broker.port
    return "\n".join([COMMON, f"port = {port}", f"period_s = {period_s}", *more])


def node_at(broker: Broker, **character: object) -> PublishingNode:
    """A node that is not connected yet."""
    return PublishingNode(broker.host, broker.port, replace(NodeCharacter(), **character))  # type: ignore[arg-type]


@contextmanager
def publishing(node: PublishingNode, run: DriverRun) -> Iterator[None]:
    """Have a node measure once a period, while the driver runs, and lose its power in the end."""
    stop, failed = threading.Event(), list[Exception]()

    def publish() -> None:
        count = 0
        while not stop.wait(PERIOD_S / SPEED):
            count += 1
            try:
                node.measure(PERIOD_S * count, 42.914, 24.5)
            except Exception as exc:  # noqa: BLE001 - told by the test's own thread
                failed.append(exc)
                return

    thread = threading.Thread(target=publish)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join()
        node.vanish()
    assert failed == []
    assert run.slowest_s < 0.5


def pair(sample: Sample) -> tuple[float | None, float | None]:
    """What was measured."""
    return sample.conductivity_mS_cm, sample.temperature_C


@pytest.mark.parametrize("form, topics", [("json", OBJECT), ("plain", PLAIN)])
def test_a_node_is_read(broker: Broker, form: str, topics: str) -> None:
    """An object with both values, or a topic for each."""
    node = node_at(broker, form=form)
    with node, running(keys(broker, topics, WATCHED)) as run, publishing(node, run):
        sample = run.until_value()

    assert (42.914, 24.5) == pair(sample)
    assert ("mix-1", "ct-1") == (sample.reservoir, sample.probe)


def test_a_value_that_the_broker_kept_is_no_reading(broker: Broker) -> None:
    """The node is gone for good, and its last value is still there for whoever subscribes."""
    with node_at(broker) as node:
        node.measure(0.0, 42.914, 24.5)
    with running(keys(broker, OBJECT)) as run:
        fault = run.until_fault("only an old value")

    assert [] == run.values()
    assert WATER in fault


def test_a_broker_that_starts_again_passes_on_nothing_for_fresh(broker: Broker) -> None:
    """It has the last value of before; readings go on when the node is back."""
    with running(keys(broker, OBJECT, WATCHED)) as run:
        node = node_at(broker)
        node.connect()
        with publishing(node, run):
            run.until_value()
        broker.stop()
        run.until_fault("nobody listens there")
        broker.start()
        count = len(run.values())
        run.until_fault(f"{BASE}/status")
        before = len(run.values()) - count
        node.connect()
        with publishing(node, run):
            again = run.until_value()

    assert 0 == before
    assert (42.914, 24.5) == pair(again)


def test_a_last_will_ends_validity_at_once(broker: Broker) -> None:
    """The node loses power; its broker says so before three periods are over."""
    with node_at(broker) as node, running(keys(broker, OBJECT, WATCHED, period_s=20)) as run:
        run.until(lambda: run.driver.fileno() is not None, "a connection")
        while not run.values():
            node.measure(0.0, 42.914, 24.5)
            run.turn()
        node.vanish()
        fault = run.until_fault("offline")

    assert f"the node is 'offline' on '{BASE}/status'" in fault


def test_a_node_that_is_out_of_range_is_missed_after_three_periods(broker: Broker) -> None:
    """Its connection stays open for a while, so no last will says anything."""
    with node_at(broker) as node, running(keys(broker, OBJECT, WATCHED)) as run:
        while not run.values():
            node.measure(0.0, 42.914, 24.5)
            run.turn()
        line = node.fade()
        fault = run.until_fault("nothing came on")
        assert line is not None
        line.close()

    assert f"'{WATER}'" in fault


@pytest.mark.parametrize(
    "trouble, part",
    [
        ("wordy", "'nan' where a number is due"),
        ("reshaped", "'/conductivity' leads nowhere"),
        ("other_unit", "it is in 'uS/cm', and units.conductivity is 'mS/cm'"),
    ],
)
def test_a_new_program_on_the_node_is_noticed(broker: Broker, trouble: str, part: str) -> None:
    """It says a word, names things otherwise, or changed its unit: no wrong value is taken."""
    with node_at(broker) as node, running(keys(broker, OBJECT)) as run:
        setattr(node.trouble, trouble, True)
        with publishing(node, run):
            run.until_fault(part)

    assert [] == run.values()


def test_a_node_that_repeats_one_value_for_ever_is_noticed(broker: Broker) -> None:
    """Its program hangs with the sensor; the time stamp tells."""
    with node_at(broker) as node, running(keys(broker, STAMPED)) as run, publishing(node, run):
        run.until_value()
        node.trouble.stuck = True
        fault = run.until_fault("repeats the time stamp")

    assert WATER in fault


def test_a_message_that_comes_twice_counts_once(broker: Broker) -> None:
    """As after a lost acknowledgement: the broker takes the second one for another message."""
    with node_at(broker) as node, running(keys(broker, STAMPED)) as run:
        node.trouble.twice = True
        for count in range(4):
            run.until(lambda: run.driver.fileno() is not None, "a connection")
            run.run_s(PERIOD_S)
            node.measure(PERIOD_S * count, 40.0 + count, 24.5)
        run.run_s(PERIOD_S)
        values = [each.conductivity_mS_cm for each in run.values()]

    assert sorted(set(values), key=float) == values  # type: ignore[arg-type]
    assert 43.0 in values


def test_two_nodes_on_one_topic_are_told_apart_by_their_stamps(broker: Broker) -> None:
    """The one whose clock is behind is refused, and the fault says why."""
    other = node_at(broker, base="fish-room/mix-2", clock_off_s=-50.0)
    with node_at(broker) as node, other, running(keys(broker, STAMPED)) as run:
        t_s = 0.0
        while not run.values():
            t_s += PERIOD_S
            node.measure(t_s, 42.914, 24.5)
            run.run_s(PERIOD_S)
        (stray,) = other.messages(t_s, 12.0, 24.5)
        other.publish(replace(stray, topic=WATER))
        run.until_fault("earlier than one before it")

    assert {42.914} == {each.conductivity_mS_cm for each in run.values()}


def test_a_broker_that_is_not_there_is_said_and_found_when_it_starts(
    make_broker: Callable[..., Broker],
) -> None:
    """Without a restart of the driver."""
    broker = make_broker()
    with running(keys(broker, OBJECT)) as run:
        fault = run.until_fault("nobody listens there")
        broker.start()
        node = node_at(broker)
        node.connect()
        with publishing(node, run):
            run.until_value()

    assert fault.endswith("start it, or check host and port")


def guarded(make_broker: Callable[..., Broker], folder: Path) -> Broker:
    """A broker with accounts: the node may write, and `reader` may read one topic."""
    words, rights = folder / "words", folder / "rights"
    words.write_text("node:node-word\nreader:reader-word\n")
    words.chmod(0o600)
    subprocess.run(["mosquitto_passwd", "-U", words], check=True)
    rights.write_text(f"user node\ntopic write fish-room/#\nuser reader\ntopic read {WATER}\n")
    rights.chmod(0o600)
    broker = make_broker(f"password_file {words}", f"acl_file {rights}", anonymous=False)
    broker.start()
    return broker


def account(folder: Path, word: str) -> str:
    """The keys of the account `reader`, with a password file."""
    secret = folder / "word"
    secret.write_text(word + "\n")
    secret.chmod(0o600)
    return f'username = "reader"\npassword_file = "{secret}"'


def test_an_account_is_shown_and_its_rights_suffice(
    make_broker: Callable[..., Broker], tmp_path: Path
) -> None:
    """The right to read the topics is enough."""
    broker = guarded(make_broker, tmp_path)
    node = node_at(broker, account=("node", "node-word"))
    with (
        node,
        running(keys(broker, OBJECT, account(tmp_path, "reader-word"))) as run,
        publishing(node, run),
    ):
        run.until_value()


@pytest.mark.parametrize(
    "more, part",
    [
        ("", "requires an account: set username and password_file"),
        ("wrong", "refused the account 'reader': check username and password_file"),
    ],
)
def test_a_wrong_account_is_a_sentence(
    make_broker: Callable[..., Broker], tmp_path: Path, more: str, part: str
) -> None:
    """Whether there is none, or its password is wrong."""
    broker = guarded(make_broker, tmp_path)
    with running(keys(broker, OBJECT, account(tmp_path, more) if more else "")) as run:
        fault = run.until_fault(part)

    assert f"broker {LOOPBACK}:{broker.port}" in fault


def test_a_topic_that_our_account_may_not_read_is_a_sentence(
    make_broker: Callable[..., Broker], tmp_path: Path
) -> None:
    """The broker refuses the subscription, or passes nothing on and does not say so."""
    broker = guarded(make_broker, tmp_path)
    with running(keys(broker, PLAIN, account(tmp_path, "reader-word"))) as run:
        fault = run.until_fault("read")

    assert f"{BASE}/conductivity" in fault


def test_a_password_that_others_may_read_is_not_used(broker: Broker, tmp_path: Path) -> None:
    """As the service reads all its secrets."""
    more = account(tmp_path, "reader-word")
    (tmp_path / "word").chmod(0o644)
    with running(keys(broker, OBJECT, more)) as run:
        run.until_fault("others than its owner may read")


def test_tls_is_spoken_and_a_strange_broker_is_refused(
    make_broker: Callable[..., Broker], tmp_path: Path
) -> None:
    """Its certificate must be signed by whom the section names."""
    folder = make_certificates(tmp_path)
    port = find_free_port()
    broker = make_broker(
        f"listener {port} {LOOPBACK}",
        f"cafile {folder / 'ca.pem'}",
        f"certfile {folder / 'broker.pem'}",
        f"keyfile {folder / 'broker.key'}",
    )
    broker.start()
    node = node_at(broker)
    node.connect()
    trusted = keys(port, OBJECT, f'tls = true\nca_file = "{folder / "ca.pem"}"')
    with running(trusted) as run, publishing(node, run):
        run.until_value()
    with running(trusted.replace("ca.pem", "stranger.pem")) as run:
        run.until_fault("its certificate is not to be trusted")


def test_a_flood_ends_the_connection_and_fills_no_memory(broker: Broker) -> None:
    """What runs in a circle publishes without pause; nothing is read meanwhile."""
    with node_at(broker, qos=0) as node, running(keys(broker, OBJECT)) as run:
        until = threading.Event()

        def flood() -> None:
            while not until.is_set():
                for _ in range(200):
                    node.publish(Message(WATER, b'{"conductivity": 1}'))

        thread = threading.Thread(target=flood)
        thread.start()
        try:
            fault = run.until_fault("more than 500 messages came within a second")
        finally:
            until.set()
            thread.join()

    assert WATER in fault
    assert len(run.samples) < 50


def test_a_payload_that_memory_might_not_hold_never_comes(broker: Broker) -> None:
    """The broker is asked for none; the reading after it comes all the same."""
    with node_at(broker) as node, running(keys(broker, OBJECT)) as run:
        run.until_fault("nothing came on")
        node.publish(Message(WATER, b" " * 1_000_000, qos=1))
        with publishing(node, run):
            run.until_value()

    assert not [each for each in run.faults() if "bytes" in each]


def test_a_broker_that_stops_answering_is_left(broker: Broker) -> None:
    """Its process hangs and the connection stays open: the fault comes by the silence."""
    with node_at(broker) as node, running(keys(broker, OBJECT)) as run:
        while not run.values():
            node.measure(0.0, 42.914, 24.5)
            run.turn()
        broker.freeze()
        try:
            run.until_fault("nothing came on")
        finally:
            broker.thaw()
        run.samples.clear()
        node.measure(1.0, 42.914, 24.5)
        run.until_value()


def test_closing_waits_for_nobody(free_port: int) -> None:
    """Not even for a broker that does not answer, and no thread stays."""
    with running(keys(free_port, OBJECT)) as run:
        run.turn()
        run.driver.close()
        run.driver.close()

    wait_until(
        lambda: not [e for e in threading.enumerate() if e.name == "mqtt subscription"],
        "the end of the thread",
    )
    assert run.driver.fileno() is None


def test_two_clients_of_one_name_are_told(broker: Broker) -> None:
    """The broker gives the connection to the newer one; whoever lost it says which key counts."""
    named = keys(broker, OBJECT, 'client_id = "node-reader"')
    with running(named) as first, running(named) as second:
        first.until(lambda: "node-reader" in broker.log, "the first connection")
        second.turn()
        fault = first.until_fault("the connection was lost")

    assert "no other client has the id 'node-reader' (client_id)" in fault


def test_two_reservoirs_read_their_nodes_over_one_broker(broker: Broker) -> None:
    """Each gets its own values, and the loss of one node is a fault of one reservoir."""
    other = OBJECT.replace("mix-1", "mix-2")
    left, right = node_at(broker), node_at(broker, base="fish-room/mix-2")
    with (
        left,
        right,
        running(keys(broker, OBJECT, WATCHED)) as one,
        running(keys(broker, other, WATCHED.replace("mix-1", "mix-2"))) as two,
    ):
        while not (one.values() and two.values()):
            left.measure(0.0, 41.0, 24.0)
            right.measure(0.0, 52.0, 25.0)
            one.turn()
            two.turn()
        right.vanish()
        two.until_fault("offline")
        one.turn()

    assert {(41.0, 24.0)} == {pair(each) for each in one.values()}
    assert {(52.0, 25.0)} == {pair(each) for each in two.values()}
    assert not [fault for fault in one.faults() if "offline" in fault]
