"""One connection to an MQTT broker that brings messages, from its opening to its end.

All that can wait - secrets and certificates from a card, the lookup of a name, connecting, the
handshake of TLS - is done by a thread of its own.  The driver selects on a descriptor and takes
what came.  What the thread keeps is bounded: the newest few messages of each topic, each of
bounded size.  A broker of MQTT 5 is asked for no larger ones; one of MQTT 3.1.1 may send them.

The callbacks of the client library only note what came, and none of them can fail: an exception
in one would end its thread without a word.

Source: OASIS, MQTT Version 5.0 (2019), 3.1.2.11.4 (maximum packet size), 3.3.1.1 (DUP), 3.9
(SUBACK: reason codes from 0x80 are refusals).
"""

from __future__ import annotations

import math
import os
import socket
import threading
import time
from collections import deque
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, TypeAlias

from paho.mqtt.client import MQTT_ERR_SUCCESS, Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from daemon import broker as brokers
from daemon.errors import BrinewrightError
from daemon.probes.network_rights import network_barred
from daemon.probes.published_node import Arrived
from daemon.wire.published import LARGEST_PAYLOAD

if TYPE_CHECKING:
    from collections.abc import Callable

    from paho.mqtt.client import ConnectFlags, DisconnectFlags
    from paho.mqtt.reasoncodes import ReasonCode

    from daemon.broker import Broker

ANSWER_S = 5.0
"""A broker that has not answered within it is none; our own choice."""
LOOP_S = 0.5
KEPT_OF_A_TOPIC = 8
"""Messages that wait to be taken; what is older than these is of no use any more."""
MOST_PER_S = 500
"""Messages in one second: no probe publishes so, but what runs in a circle does.  Our own choice,
a hundred times what the fastest node sends."""
SIGN_S = 1.0
"""A broker that lives answers within it, also over a slow radio link; our own choice."""
NO_TOPIC = "brinewright/no-topic"
CLOSE_WAIT_S = 1.0
CONNECTING_WAIT_S = 0.05
REFUSAL = 0x80
UNSUPPORTED_VERSION = 0x84
TAKEN_OVER = 0x8E

MQTT_5 = MQTTProtocolVersion.MQTTv5
MQTT_3_1_1 = MQTTProtocolVersion.MQTTv311


@dataclass(frozen=True, slots=True)
class Opened:
    """All topics are subscribed to."""


@dataclass(frozen=True, slots=True)
class Ended:
    """The connection ended, or could not be opened.

    Attributes:
        why: What is wrong, where, and what to do.
        refused: Whether trying again soon would not help: a person must act.
        other_version: Whether the other version of the protocol may be what it speaks.
    """

    why: str
    refused: bool = False
    other_version: bool = False


Report: TypeAlias = Opened | Ended | Arrived


class Subscription:
    """Messages on some topics, until the connection ends; never used again then."""

    def __init__(
        self,
        broker: Callable[[], Broker],
        topics: tuple[str, ...],
        version: MQTTProtocolVersion = MQTT_5,
        connect_s: float = ANSWER_S,
        quiet_s: float = math.inf,
    ) -> None:
        """Begin to connect.

        Args:
            broker: Reads what the section says, with its secrets; called by the thread.
            topics: To subscribe to.
            version: Of the protocol.
            connect_s: How long to wait for a machine that does not answer, s.
            quiet_s: Silence after which the broker is asked for a sign of life, s.
        """
        self._topics = topics
        self._version = version
        self._connect_s, self._quiet_s = connect_s, quiet_s
        self._lock = threading.Lock()
        self._bell: int | None = os.eventfd(0, os.EFD_NONBLOCK | os.EFD_CLOEXEC)
        self._kept = {topic: deque[tuple[int, Arrived]](maxlen=KEPT_OF_A_TOPIC) for topic in topics}
        self._changes = deque[tuple[int, Opened | Ended]]()
        self._count = 0
        self._last: dict[str, tuple[int, bytes]] = {}
        self._second, self._in_second = 0, 0
        self._asked: dict[int, str] = {}
        self._answered = False
        self._lived_s = time.monotonic()
        self._sign_due_s = math.inf
        self._broker: Broker | None = None
        self._line: socket.socket | None = None
        self._end: Ended | None = None
        self._closing = threading.Event()
        self._thread = threading.Thread(
            target=self._run, args=(broker,), name="mqtt subscription", daemon=True
        )
        self._thread.start()

    def fileno(self) -> int | None:
        """Return the descriptor that can be read once something came; None when closed."""
        return self._bell

    def take(self) -> list[Report]:
        """Return what came, in order."""
        with self._lock:
            if self._bell is not None:
                with suppress(BlockingIOError):
                    os.eventfd_read(self._bell)
            found: list[tuple[int, Report]] = [*self._changes]
            for messages in self._kept.values():
                found += messages
                messages.clear()
            self._changes.clear()
        return [report for _, report in sorted(found, key=lambda each: each[0])]

    def close(self) -> None:
        """End the connection; may be called twice."""
        self._closing.set()
        with self._lock:
            bell, self._bell = self._bell, None
        if bell is not None:
            os.close(bell)
        connected = self._line is not None
        self._shut()
        # One that is still connecting ends alone when its time is over: many of them must not keep
        # the process from its end.
        self._thread.join(CLOSE_WAIT_S if connected else CONNECTING_WAIT_S)

    def _shut(self) -> None:
        line = self._line
        if line is not None:
            with suppress(OSError):  # it may have ended already
                line.shutdown(socket.SHUT_RDWR)

    def _note(self, report: Report) -> None:
        with self._lock:
            self._count += 1
            if isinstance(report, Arrived):
                self._kept[report.topic].append((self._count, report))
            else:
                self._changes.append((self._count, report))
            if self._bell is not None:
                os.eventfd_write(self._bell, 1)

    # --- by the thread ----------------------------------------------------------------------------

    def _run(self, read_broker: Callable[[], Broker]) -> None:
        try:
            end = self._serve(read_broker())
        except BrinewrightError as exc:
            end = Ended(str(exc), refused=True)
        except Exception as exc:  # noqa: BLE001 - a thread that dies says so first
            where = "the broker" if self._broker is None else self._broker.where
            end = Ended(f"{where} cannot be spoken with: {exc!r}; check host and port")
        self._note(end)

    def _serve(self, broker: Broker) -> Ended:
        self._broker = broker
        barred = network_barred()
        if barred:
            return Ended(f"{broker.where} cannot be reached: {barred}")
        client = self._client(broker)
        try:
            client.connect(
                broker.host,
                broker.port,
                broker.keepalive_s,
                properties=_connect_properties() if self._version == MQTT_5 else None,
            )
        except OSError as exc:
            return Ended(brokers.unreachable(broker, exc))
        line = client.socket()
        self._line = line if isinstance(line, socket.socket) else None
        until_s = time.monotonic() + ANSWER_S
        while not self._closing.is_set() and client.loop(LOOP_S) == MQTT_ERR_SUCCESS:
            if not self._answered and time.monotonic() > until_s:
                reason = f"it did not answer within {ANSWER_S:g} s; is it an MQTT broker?"
                self._end = Ended(f"{broker.where}: {reason}", other_version=True)
            self._look_for_life(client, broker, time.monotonic())
            if self._end is not None:
                break
        self._line = None
        _let_go(client)
        return self._end or Ended(brokers.connection_lost(broker, "it was closed"))

    def _look_for_life(self, client: Client, broker: Broker, now_s: float) -> None:
        """Ask for a sign of life where nothing comes, and end what gives none.

        The ping of the protocol comes no sooner than the keep-alive allows, which both sides must
        keep to; the end of a subscription that there is not is answered at any time: 3.10.4.
        """
        if not self._answered or self._asked:
            return
        if now_s > self._sign_due_s:
            reason = "no sign of life; check the network between, and whether it is overloaded"
            self._end = Ended(f"{broker.where}: {reason}")
        elif self._sign_due_s == math.inf and now_s - self._lived_s > self._quiet_s:
            self._sign_due_s = now_s + max(SIGN_S, self._quiet_s / 2.0)
            client.unsubscribe(NO_TOPIC)

    def _live(self) -> None:
        self._lived_s, self._sign_due_s = time.monotonic(), math.inf

    def _client(self, broker: Broker) -> Client:
        client = Client(
            CallbackAPIVersion.VERSION2,
            client_id=broker.client_id,
            protocol=self._version,
            reconnect_on_failure=False,
        )
        client.connect_timeout = self._connect_s
        if broker.username is not None:
            client.username_pw_set(broker.username, broker.password)
        if broker.tls is not None:
            client.tls_set_context(broker.tls)
        client.on_connect = partial(self._on_connect, broker)
        client.on_disconnect = partial(self._on_disconnect, broker)
        client.on_subscribe = partial(self._on_subscribe, broker)
        client.on_message = partial(self._on_message, broker)
        client.on_unsubscribe = lambda *_: self._live()
        return client

    def _on_connect(
        self,
        broker: Broker,
        client: Client,
        _userdata: object,
        _flags: ConnectFlags,
        code: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        self._answered = True
        if code.value == UNSUPPORTED_VERSION:
            why = f"{broker.where} does not speak the MQTT that we speak; use a newer one"
            self._end = Ended(why, other_version=True)
        elif code.value >= REFUSAL:
            why = brokers.connect_refused(broker, code.value, str(code))
            self._end = Ended(why, refused=True)
        for topic in self._topics if self._end is None else ():
            _, mid = client.subscribe(topic, qos=1)
            if mid is not None:
                self._asked[mid] = topic

    def _on_subscribe(
        self,
        broker: Broker,
        _client: Client,
        _userdata: object,
        mid: int,
        codes: list[ReasonCode],
        _properties: Properties | None,
    ) -> None:
        self._live()
        topic = self._asked.pop(mid, "")
        refusals = [code for code in codes if code.value >= REFUSAL]
        if refusals:
            why = (
                f"{broker.where} refused to give {topic!r}: {refusals[0]};"
                f" allow {broker.account} to read there"
            )
            self._end = Ended(why, refused=True)
        elif not self._asked:
            self._note(Opened())

    def _on_message(
        self, broker: Broker, _client: Client, _userdata: object, message: MQTTMessage
    ) -> None:
        self._live()
        with suppress(UnicodeError):  # a topic that is no text is none of the subscribed ones
            topic, payload = message.topic, bytes(message.payload[: LARGEST_PAYLOAD + 1])
            same = self._last.get(topic) == (message.mid, payload)
            self._last[topic] = (message.mid, payload)
            again = message.dup and message.qos > 0 and same
            if topic in self._kept:
                self._note(Arrived(topic, payload, message.retain, again))
        second = int(time.monotonic())
        self._in_second = self._in_second + 1 if second == self._second else 1
        self._second = second
        if self._in_second > MOST_PER_S:
            why = (
                f"more than {MOST_PER_S} messages came within a second on {message.topic!r} of"
                f" {broker.where}; look for what publishes in a circle, and stop it"
            )
            self._end = Ended(why, refused=True)

    def _on_disconnect(
        self,
        broker: Broker,
        _client: Client,
        _userdata: object,
        _flags: DisconnectFlags,
        code: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        if self._end is not None:
            return
        if not self._answered:
            self._end = Ended(brokers.connect_aborted(broker, str(code)), other_version=True)
            return
        why = brokers.connection_lost(broker, str(code))
        self._end = Ended(why, refused=code.value == TAKEN_OVER)


def _let_go(client: Client) -> None:
    """Close what the library has open; it would do that only when the last reference goes."""
    client.on_connect = client.on_disconnect = client.on_subscribe = client.on_message = None
    client.on_unsubscribe = None
    line = client.socket()
    if isinstance(line, socket.socket):
        line.close()


def _connect_properties() -> Properties:
    """No session after the connection, and no packet that memory could not hold."""
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.SessionExpiryInterval = 0
    properties.MaximumPacketSize = 2 * LARGEST_PAYLOAD
    return properties
