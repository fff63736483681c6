"""The broker at which a node is read: away, guarded, over TLS, flooded, hanging."""

from __future__ import annotations

import subprocess
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from simulators.mqtt_packets import Message
from tests.conftest import LOOPBACK, Broker, find_free_port, wait_until
from tests.parts.driver_run import running
from tests.services.mqtt_in_parts import (
    BASE,
    OBJECT,
    PLAIN,
    WATER,
    keys,
    node_at,
    publishing,
)
from tests.services.mqtt_parts import make_certificates

pytestmark = pytest.mark.server


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
