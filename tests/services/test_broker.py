"""The tests' own broker: what it keeps, and what it says."""

from __future__ import annotations

import socket
from collections.abc import Callable

import pytest
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from tests.conftest import Broker, wait_until


def test_a_retained_message_survives_the_death_of_the_broker(broker: Broker) -> None:
    """The tests' broker keeps what it wrote down when it is killed, so that faults can be told."""
    sender = mqtt.Client(CallbackAPIVersion.VERSION2)
    sender.connect(broker.host, broker.port)
    sender.loop_start()
    sender.publish("wing/mix-1", b"33.1", qos=1, retain=True).wait_for_publish(5)
    sender.disconnect()
    sender.loop_stop()
    broker.write_down()
    broker.kill()
    broker.start()

    heard: list[bytes] = []
    reader = mqtt.Client(CallbackAPIVersion.VERSION2)
    reader.on_message = lambda _client, _data, message: heard.append(bytes(message.payload))
    reader.connect(broker.host, broker.port)
    reader.subscribe("wing/mix-1", qos=1)
    reader.loop_start()
    try:
        wait_until(lambda: bool(heard), "the retained message")
    finally:
        reader.disconnect()
        reader.loop_stop()

    assert [b"33.1"] == heard


def test_a_stopped_broker_takes_no_connection(broker: Broker) -> None:
    """`stop` returns only when the port is closed, so that an outage begins at once."""
    broker.stop()

    with pytest.raises(ConnectionRefusedError):
        socket.create_connection((broker.host, broker.port), timeout=1)


def test_a_broker_that_cannot_start_shows_its_log(make_broker: Callable[..., Broker]) -> None:
    """A wrong option is found in the message, without looking for the log."""
    broken = make_broker("no_such_option 1")

    with pytest.raises(AssertionError, match="Unknown configuration variable"):
        broken.start()
