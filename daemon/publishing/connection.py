"""One connection to an MQTT broker, from its opening to its loss; never used again.

The client library runs its network thread and gives its callbacks there; all
that they do is to put what they heard into a queue, so none of them can fail.
Its own queue and its own reconnecting are not used: what is not acknowledged
when a connection ends is forgotten here and comes again from the journal.

Source: OASIS, MQTT Version 5.0 (2019), 3.1.2.11.3 (receive maximum), 3.4
(PUBACK: reason codes from 0x80 are refusals), 3.1.2.5 (will message).
"""

from __future__ import annotations

import socket
from contextlib import suppress
from dataclasses import dataclass
from queue import Empty, SimpleQueue
from typing import TypeAlias

from paho.mqtt.client import MQTT_ERR_SUCCESS, Client, ConnectFlags, DisconnectFlags, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from daemon.publishing.payloads import Message
from daemon.publishing.sink import SinkError

CONNECT_S = 5.0
ANSWER_S = 10.0
GOODBYE_S = 1.0
WINDOW = 100
REFUSAL = 0x80
UNSUPPORTED_VERSION = 0x84
CLIENT_ID_NOT_VALID = 0x85
BAD_ACCOUNT = 0x86
NOT_AUTHORISED = 0x87


@dataclass(frozen=True, slots=True)
class Broker:
    """Where a broker is and who we are there.

    Attributes:
        host: Name or address.
        port: TCP port.
        client_id: What the broker tells clients apart by.
        keepalive_s: Longest silence, s.
        username: The account; None for none.
        password: Its password; None for none.
    """

    host: str
    port: int
    client_id: str
    keepalive_s: int
    username: str | None = None
    password: str | None = None

    @property
    def where(self) -> str:
        """The broker as the subject of a sentence."""
        return f"broker {self.host}:{self.port}"


@dataclass(frozen=True, slots=True)
class Answered:
    """The broker's answer to the request to connect, and how much it takes at a time."""

    code: int
    reason: str
    window: int


@dataclass(frozen=True, slots=True)
class Acknowledged:
    """The broker's answer to one message."""

    mid: int
    code: int
    reason: str


@dataclass(frozen=True, slots=True)
class Lost:
    """The connection is over."""

    reason: str


Heard: TypeAlias = Answered | Acknowledged | Lost


class Connection:
    """An open connection; ends with the first fault.

    Attributes:
        usable: False once it has ended.
    """

    def __init__(self, broker: Broker, will: Message) -> None:
        """Connect, leaving `will` with the broker.

        Args:
            broker: Where to.
            will: Published by the broker when the connection is lost.

        Raises:
            SinkError: The broker cannot be reached or refuses.
        """
        self.usable = False
        self._broker = broker
        self._heard: SimpleQueue[Heard] = SimpleQueue()
        self._waiting: dict[int, str] = {}
        self._refused: list[tuple[str, str]] = []
        self._window = WINDOW
        self._client = _client(broker, will, self._heard)
        self._open()

    def send(self, message: Message) -> None:
        """Publish with QoS 1; waits while as many as the broker takes are unanswered.

        Raises:
            SinkError: The connection was lost, or the broker does not answer.
        """
        while len(self._waiting) >= self._window:
            self._hear()
        info = self._client.publish(message.topic, message.payload, qos=1, retain=message.retain)
        if info.rc != MQTT_ERR_SUCCESS:
            self._end()
            raise SinkError(f"{self._broker.where}: the connection was lost while sending")
        self._waiting[info.mid] = message.topic

    def settle(self) -> None:
        """Return once everything sent is acknowledged.

        Raises:
            SinkError: Something was refused (the connection stays usable), or
                the connection was lost, or the broker does not answer.
        """
        while self._waiting:
            self._hear()
        if self._refused:
            topic, reason = self._refused[0]
            self._refused.clear()
            raise SinkError(
                f"{self._broker.where} refused to take {topic}: {reason};"
                f" allow {_account(self._broker)} to write there"
            )

    def check(self) -> None:
        """Notice what came meanwhile.

        Raises:
            SinkError: The connection was lost.
        """
        while not self._heard.empty():
            self._hear()

    def close(self, last: Message) -> None:
        """Say `last` and good-bye as far as that is possible; never raises."""
        if self.usable:
            with suppress(SinkError):
                self.send(last)
                while self._waiting:
                    self._hear(GOODBYE_S)
                self._client.disconnect()
                while self.usable:
                    self._hear(GOODBYE_S)  # until the end is heard, or waited for in vain
        self._end()

    def _open(self) -> None:
        where = self._broker.where
        try:
            self._client.connect(self._broker.host, self._broker.port, self._broker.keepalive_s)
        except OSError as exc:
            raise SinkError(_unreachable(self._broker, exc)) from exc
        self._client.loop_start()
        try:
            answer = self._heard.get(timeout=ANSWER_S)
        except Empty:
            answer = Lost(f"it did not answer within {ANSWER_S:g} s; is it an MQTT 5 broker?")
        if isinstance(answer, Answered) and answer.code < REFUSAL:
            self._window = min(WINDOW, answer.window)
            self.usable = True
            return
        self._end()
        if isinstance(answer, Answered):
            raise SinkError(_no_entry(self._broker, answer))
        raise SinkError(f"{where} did not let us in: {answer.reason}")

    def _hear(self, limit_s: float | None = None) -> None:
        limit_s = ANSWER_S if limit_s is None else limit_s
        try:
            heard = self._heard.get(timeout=limit_s)
        except Empty:
            left = len(self._waiting)
            self._end()
            raise SinkError(
                f"{self._broker.where} did not acknowledge {left} messages within"
                f" {limit_s:g} s; is it overloaded, or the network cut?"
            ) from None
        if isinstance(heard, Acknowledged):
            topic = self._waiting.pop(heard.mid, "")
            if heard.code >= REFUSAL:
                self._refused.append((topic, heard.reason))
        elif isinstance(heard, Lost):
            self._end()
            raise SinkError(_lost(self._broker, heard))

    def _end(self) -> None:
        """Let go of the network thread, which a silent broker would hold for ever."""
        self.usable = False
        self._waiting.clear()
        line = self._client.socket()
        if isinstance(line, socket.socket):
            with suppress(OSError):  # it may be over already
                line.shutdown(socket.SHUT_RDWR)
        self._client.loop_stop()


def _client(broker: Broker, will: Message, heard: SimpleQueue[Heard]) -> Client:
    client = Client(
        CallbackAPIVersion.VERSION2,
        client_id=broker.client_id,
        protocol=MQTTv5,
        reconnect_on_failure=False,
    )
    client.connect_timeout = CONNECT_S
    # More than we ever leave unanswered, so that nothing waits in the library's own queue.
    client.max_inflight_messages_set(2 * WINDOW)
    client.will_set(will.topic, will.payload, qos=1, retain=will.retain)
    if broker.username is not None:
        client.username_pw_set(broker.username, broker.password)

    def on_connect(
        _c: Client, _u: object, _f: ConnectFlags, code: ReasonCode, p: Properties | None
    ) -> None:
        heard.put(Answered(code.value, str(code), getattr(p, "ReceiveMaximum", WINDOW)))

    def on_disconnect(
        _c: Client, _u: object, _f: DisconnectFlags, code: ReasonCode, _p: Properties | None
    ) -> None:
        heard.put(Lost(str(code)))

    def on_publish(_c: Client, _u: object, mid: int, code: ReasonCode, _p: Properties) -> None:
        heard.put(Acknowledged(mid, code.value, str(code)))

    client.on_connect = on_connect
    client.on_disconnect = on_disconnect
    client.on_publish = on_publish
    return client


def _account(broker: Broker) -> str:
    return f"the account {broker.username!r}" if broker.username else "clients without an account"


def _unreachable(broker: Broker, exc: OSError) -> str:
    if isinstance(exc, ConnectionRefusedError):
        return (
            f"no {broker.where}: nobody listens there; start it, or check mqtt.host and mqtt.port"
        )
    if isinstance(exc, socket.gaierror):
        return f"{broker.where}: there is no machine of that name; check mqtt.host and the network"
    why = exc.strerror or str(exc) or type(exc).__name__
    return f"{broker.where} cannot be reached: {why}; check the network, mqtt.host and mqtt.port"


def _no_entry(broker: Broker, answer: Answered) -> str:
    if answer.code in (BAD_ACCOUNT, NOT_AUTHORISED):
        if broker.username is None:
            return f"{broker.where} wants an account: set mqtt.username and mqtt.password_file"
        return (
            f"{broker.where} refused the account {broker.username!r}:"
            " check mqtt.username and mqtt.password_file"
        )
    if answer.code == CLIENT_ID_NOT_VALID:
        return f"{broker.where} refused the client id {broker.client_id!r}: set mqtt.client_id"
    if answer.code == UNSUPPORTED_VERSION:
        return f"{broker.where} does not speak MQTT 5: use a broker that does"
    return f"{broker.where} refused the connection: {answer.reason}"


def _lost(broker: Broker, lost: Lost) -> str:
    # Some brokers do not say that they gave the connection to a namesake; they only close it.
    return (
        f"{broker.where}: the connection was lost ({lost.reason}); if that repeats, see that no"
        f" other client calls itself {broker.client_id!r} (mqtt.client_id)"
    )
