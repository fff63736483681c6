"""One connection to an MQTT broker, from its opening to its loss; never used again.

The client library runs its network thread and gives its callbacks there; all
that they do is to put a report into a queue, so none of them can fail.
Its own queue and its own reconnecting are not used: what is not acknowledged
when a connection ends is dropped here and comes again from the journal.

No session outlives a connection: what is sent to the station while it is away
is not carried out hours later, and what the station sends comes from the journal.

Source: OASIS, MQTT Version 5.0 (2019), 3.1.2.11 (session expiry, receive maximum,
maximum packet size), 3.4 (PUBACK: reason codes from 0x80 are refusals), 3.1.2.5
(will message), 3.3.2.3 (message expiry, response topic, correlation data), 3.8.3.1 (retain as
published).
"""

from __future__ import annotations

import socket
from contextlib import suppress
from dataclasses import dataclass
from queue import Empty, SimpleQueue
from typing import TypeAlias

from paho.mqtt.client import (
    MQTT_ERR_SUCCESS,
    Client,
    ConnectFlags,
    DisconnectFlags,
    MQTTMessage,
)
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from daemon.broker import (
    Broker,
    connect_aborted,
    connect_refused,
    connection_lost,
    unreachable,
)
from daemon.publishing.mqtt.incoming import (
    LARGEST_PAYLOAD,
    LONGEST_CORRELATION,
    LONGEST_REPLY_TO,
    IncomingMessage,
    IncomingQueue,
)
from daemon.publishing.sink import SinkError
from daemon.publishing.topic_messages import Message

CONNECT_S = 5.0
ANSWER_S = 10.0
CLOSE_WAIT_S = 1.0
WINDOW = 400
"""Messages unanswered at a time, where the broker allows as many."""
REFUSAL = 0x80
UNSUPPORTED_VERSION = 0x84
LARGEST_PACKET = 2 * LARGEST_PAYLOAD
"""Bytes of a packet that an MQTT 5 broker may send us."""

MQTT_5 = MQTTProtocolVersion.MQTTv5
MQTT_3_1_1 = MQTTProtocolVersion.MQTTv311


class OldBrokerError(SinkError):
    """The broker does not speak the requested version of the protocol."""


@dataclass(frozen=True, slots=True)
class ConnectAnswer:
    """The broker's answer to the request to connect, and how much it takes at a time."""

    code: int
    reason: str
    window: int


@dataclass(frozen=True, slots=True)
class Acknowledgement:
    """The broker's answer to one message or subscription."""

    mid: int
    code: int
    reason: str


@dataclass(frozen=True, slots=True)
class ConnectionLost:
    """The connection ended."""

    reason: str


BrokerReport: TypeAlias = ConnectAnswer | Acknowledgement | ConnectionLost


class BrokerConnection:
    """An open connection; ends with the first fault.

    Attributes:
        usable: False once it has ended.
        incoming: What came in on the subscribed topics.
    """

    def __init__(
        self, broker: Broker, will: Message, version: MQTTProtocolVersion = MQTT_5
    ) -> None:
        """Connect, leaving `will` with the broker.

        Args:
            broker: Where to.
            will: Published by the broker when the connection is lost.
            version: Of the protocol.

        Raises:
            OldBrokerError: The broker does not speak that version.
            SinkError: The broker cannot be reached or refuses.
        """
        self.usable = False
        self.incoming = IncomingQueue()
        self._broker = broker
        self._version = version
        self._reports: SimpleQueue[BrokerReport] = SimpleQueue()
        self._waiting: dict[int, str] = {}
        self._refused: list[tuple[str, str]] = []
        self._window = WINDOW
        self._client = _client(broker, will, version, self._reports, self.incoming)
        self._open()

    def subscribe(self, filters: list[str], *, as_published: bool = False) -> None:
        """Have the broker send messages on some topics into `incoming`, with QoS 1.

        Args:
            filters: The topics.
            as_published: Whether a message also counts as retained where it was published so just
                now; otherwise, and over MQTT 3.1.1, only where the broker had it before.

        Raises:
            SinkError: It refuses (the connection stays usable), or as for `settle`.
        """
        for each in filters:
            rc, mid = self._subscribe(each, as_published=as_published)
            if rc != MQTT_ERR_SUCCESS or mid is None:
                self._end()
                raise SinkError(f"{self._broker.where}: the connection was lost while subscribing")
            self._waiting[mid] = f"a subscription to {each}"
        self._settle("read")

    def _subscribe(self, topic: str, *, as_published: bool) -> tuple[int, int | None]:
        if self._version != MQTT_5:
            return self._client.subscribe(topic, qos=1)
        options = SubscribeOptions(qos=1, retainAsPublished=as_published)
        return self._client.subscribe(topic, options=options)

    def send(self, message: Message) -> None:
        """Publish with QoS 1; waits while as many as the broker takes are unanswered.

        Raises:
            SinkError: The connection was lost, or the broker does not answer.
        """
        while len(self._waiting) >= self._window:
            self._await_report()
        info = self._client.publish(
            message.topic,
            message.payload,
            qos=1,
            retain=message.retain,
            properties=_properties(message) if self._version == MQTT_5 else None,
        )
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
        self._settle("write")

    def check(self) -> None:
        """Handle the reports that came meanwhile.

        Raises:
            SinkError: The connection was lost.
        """
        while not self._reports.empty():
            self._await_report()

    def close(self, last: Message) -> None:
        """Send `last` and disconnect, as far as that is possible; never raises."""
        if self.usable:
            with suppress(SinkError):
                self.send(last)
                while self._waiting:
                    self._await_report(CLOSE_WAIT_S)
                self._client.disconnect()
                while self.usable:
                    self._await_report(
                        CLOSE_WAIT_S
                    )  # until the end is reported, or waited for in vain
        self._end()

    def _settle(self, right: str) -> None:
        while self._waiting:
            self._await_report()
        if self._refused:
            topic, reason = self._refused[0]
            self._refused.clear()
            raise SinkError(
                f"{self._broker.where} refused to take {topic}: {reason};"
                f" allow {self._broker.account} to {right} there"
            )

    def _open(self) -> None:
        try:
            self._client.connect(
                self._broker.host,
                self._broker.port,
                self._broker.keepalive_s,
                properties=_connect_properties() if self._version == MQTT_5 else None,
            )
        except OSError as exc:
            raise SinkError(unreachable(self._broker, exc)) from exc
        self._client.loop_start()
        try:
            answer = self._reports.get(timeout=ANSWER_S)
        except Empty:
            answer = ConnectionLost(
                f"it did not answer within {ANSWER_S:g} s; is it an MQTT broker?"
            )
        if isinstance(answer, ConnectAnswer) and answer.code < REFUSAL:
            self._window = min(WINDOW, answer.window)
            self.usable = True
            return
        self._end()
        if not isinstance(answer, ConnectAnswer):
            raise SinkError(connect_aborted(self._broker, answer.reason))
        if answer.code == UNSUPPORTED_VERSION:
            raise OldBrokerError(f"{self._broker.where} does not speak the MQTT that we speak")
        raise SinkError(connect_refused(self._broker, answer.code, answer.reason))

    def _await_report(self, limit_s: float | None = None) -> None:
        limit_s = ANSWER_S if limit_s is None else limit_s
        if self._reports.empty():
            self._acknowledge_quickly()
        try:
            report = self._reports.get(timeout=limit_s)
        except Empty:
            left = len(self._waiting)
            self._end()
            raise SinkError(
                f"{self._broker.where} did not acknowledge {left} messages within"
                f" {limit_s:g} s; is it overloaded, or the network cut?"
            ) from None
        if isinstance(report, Acknowledgement):
            topic = self._waiting.pop(report.mid, "")
            if report.code >= REFUSAL:
                self._refused.append((topic, report.reason))
        elif isinstance(report, ConnectionLost):
            self._end()
            raise SinkError(connection_lost(self._broker, report.reason))

    def _acknowledge_quickly(self) -> None:
        """Have the kernel acknowledge at once what the broker sends next.

        Brokers answer each message in a packet of its own, and hold the second back until the
        first is acknowledged (RFC 896); the kernel waits 40 ms for something to send with it.
        """
        line = self._client.socket()
        if isinstance(line, socket.socket):
            with suppress(OSError):  # it may have ended already
                line.setsockopt(socket.IPPROTO_TCP, socket.TCP_QUICKACK, 1)

    def _end(self) -> None:
        """End the network thread, which a silent broker would keep waiting for ever."""
        self.usable = False
        self._waiting.clear()
        line = self._client.socket()
        if isinstance(line, socket.socket):
            with suppress(OSError):  # it may have ended already
                line.shutdown(socket.SHUT_RDWR)
        self._client.loop_stop()


def connect(
    broker: Broker, will: Message, version: MQTTProtocolVersion
) -> tuple[BrokerConnection, MQTTProtocolVersion]:
    """Return a connection and its version: the requested one, or 3.1.1 where 5 is refused.

    Raises:
        SinkError: The broker cannot be reached or refuses.
    """
    try:
        return BrokerConnection(broker, will, version), version
    except OldBrokerError:
        if version == MQTT_3_1_1:
            raise
        return BrokerConnection(broker, will, MQTT_3_1_1), MQTT_3_1_1


def _client(
    broker: Broker,
    will: Message,
    version: MQTTProtocolVersion,
    report: SimpleQueue[BrokerReport],
    incoming: IncomingQueue,
) -> Client:
    client = Client(
        CallbackAPIVersion.VERSION2,
        client_id=broker.client_id,
        protocol=version,
        reconnect_on_failure=False,
    )
    client.connect_timeout = CONNECT_S
    # More than we ever leave unanswered, so that nothing waits in the library's own queue.
    client.max_inflight_messages_set(2 * WINDOW)
    client.will_set(will.topic, will.payload, qos=1, retain=will.retain)
    if broker.username is not None:
        client.username_pw_set(broker.username, broker.password)
    if broker.tls is not None:
        client.tls_set_context(broker.tls)
    _set_callbacks(client, report, incoming)
    return client


def _set_callbacks(
    client: Client, report: SimpleQueue[BrokerReport], incoming: IncomingQueue
) -> None:
    def on_connect(
        _c: Client, _u: object, _f: ConnectFlags, code: ReasonCode, p: Properties | None
    ) -> None:
        report.put(ConnectAnswer(code.value, str(code), getattr(p, "ReceiveMaximum", WINDOW)))

    def on_disconnect(
        _c: Client, _u: object, _f: DisconnectFlags, code: ReasonCode, _p: Properties | None
    ) -> None:
        report.put(ConnectionLost(str(code)))

    def on_publish(_c: Client, _u: object, mid: int, code: ReasonCode, _p: Properties) -> None:
        report.put(Acknowledgement(mid, code.value, str(code)))

    def on_subscribe(
        _c: Client, _u: object, mid: int, codes: list[ReasonCode], _p: Properties | None
    ) -> None:
        for code in codes:
            report.put(Acknowledgement(mid, code.value, str(code)))

    def on_message(_c: Client, _u: object, message: MQTTMessage) -> None:
        with suppress(UnicodeError):  # a topic that is no text is none of the subscribed ones
            incoming.put(_incoming_message(message))

    client.on_connect = on_connect
    client.on_disconnect = on_disconnect
    client.on_publish = on_publish
    client.on_subscribe = on_subscribe
    client.on_message = on_message


def _incoming_message(message: MQTTMessage) -> IncomingMessage:
    size = len(message.payload)
    reply_to: str = getattr(message.properties, "ResponseTopic", "")
    correlation: bytes = getattr(message.properties, "CorrelationData", b"")
    return IncomingMessage(
        topic=message.topic,
        payload=bytes(message.payload) if size <= LARGEST_PAYLOAD else b"",
        size=size,
        retained=message.retain,
        reply_to=reply_to if len(reply_to) <= LONGEST_REPLY_TO else "",
        correlation=correlation if len(correlation) <= LONGEST_CORRELATION else b"",
    )


def _connect_properties() -> Properties:
    """No session after the connection, and no packet that memory could not hold."""
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.SessionExpiryInterval = 0
    properties.MaximumPacketSize = LARGEST_PACKET
    return properties


def _properties(message: Message) -> Properties | None:
    if message.expires_s is None and not message.correlation:
        return None
    properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    if message.expires_s is not None:
        properties.MessageExpiryInterval = message.expires_s
    if message.correlation:
        properties.CorrelationData = message.correlation
    return properties
