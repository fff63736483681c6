"""A subscriber that sees what really comes out of the broker, by station and number."""

from __future__ import annotations

import re
import secrets
import time
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from threading import Event

from paho.mqtt.client import Client, ConnectFlags, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from daemon.broker import Broker, connect_refused, unreachable
from daemon.errors import BrinewrightError, ExitCode

ENTRIES = ("brinewright/+/+/reading", "brinewright/+/+/event", "brinewright/+/event")
AVAILABILITY = "brinewright/+/availability"
ANSWER_S = 10.0
SESSION_S = 600
"""So long the broker keeps what comes while the connection is lost."""
QUIET_S = 0.5
"""So long without another retained message, all of them have come."""
_SEQ = re.compile(rb'"seq":(\d{1,18})\}$')


class ObserverError(BrinewrightError):
    """The broker cannot be observed; the sentence says why."""

    exit_code = ExitCode.UNAVAILABLE


@dataclass(slots=True)
class Observer:
    """Remembers the number of each entry that came.

    Attributes:
        broker: The broker and an account that may read.
        doubled: Entries that came more than once.
    """

    broker: Broker
    doubled: int = 0
    _came: dict[str, set[int]] = field(default_factory=dict)
    _online: set[str] = field(default_factory=set)
    _client: Client | None = None
    _ready: Event = field(default_factory=Event)
    _trouble: str = ""
    _news: bool = False
    _last_s: float = 0.0

    def open(self) -> None:
        """Subscribe to the entries of every station, and learn which are online.

        Raises:
            ObserverError: The broker cannot be reached, or refuses.
        """
        # A session of its own, so that it misses nothing while the broker is started again.
        name = f"brinewright-observer-{secrets.token_hex(8)}"
        client = Client(CallbackAPIVersion.VERSION2, name, protocol=MQTTProtocolVersion.MQTTv5)
        if self.broker.username is not None:
            client.username_pw_set(self.broker.username, self.broker.password)
        if self.broker.tls is not None:
            client.tls_set_context(self.broker.tls)
        client.on_connect = self._subscribe
        client.on_subscribe = self._subscribed
        client.on_message = self._take
        try:
            client.connect(
                self.broker.host,
                self.broker.port,
                self.broker.keepalive_s,
                properties=_session(PacketTypes.CONNECT, SESSION_S),
            )
        except OSError as exc:
            raise ObserverError(unreachable(self.broker, exc)) from exc
        self._client = client
        client.loop_start()
        answered = self._ready.wait(ANSWER_S)
        if not answered or self._trouble:
            self.close()
            raise ObserverError(self._trouble or f"{self.broker.where} does not answer")
        while time.monotonic() - self._last_s < QUIET_S:
            time.sleep(QUIET_S / 10)

    def online(self, names: Collection[str]) -> list[str]:
        """Return which of these stations were online when it began."""
        return sorted(self._online & set(names))

    def check(self) -> None:
        """Return if anything came of any station since it began.

        Some brokers answer a subscription that they will never serve as if they would.

        Raises:
            ObserverError: Nothing came.
        """
        if not (self._came or self._news):
            raise ObserverError(
                f"{self.broker.where} sends {self.broker.account} nothing of what stations publish;"
                " allow it to read brinewright/#"
            )

    def lost(self, made: Mapping[str, int]) -> int:
        """Return how many entries did not come, of so many that each station had acknowledged.

        Args:
            made: Number of the last acknowledged entry of each station.
        """
        return sum(
            last - sum(seq <= last for seq in self._came.get(name, ()))
            for name, last in made.items()
        )

    def close(self) -> None:
        """Disconnect."""
        if self._client is not None:
            self._client.disconnect(properties=_session(PacketTypes.DISCONNECT, 0))
            self._client.loop_stop()
            self._client = None

    def _subscribe(
        self, client: Client, _u: object, _f: ConnectFlags, code: ReasonCode, _p: Properties | None
    ) -> None:
        if code.is_failure:
            self._trouble = connect_refused(self.broker, code.value, str(code))
            self._ready.set()
            return
        client.subscribe([(each, 1) for each in (AVAILABILITY, *ENTRIES)])

    def _subscribed(
        self, _c: Client, _u: object, _m: int, codes: list[ReasonCode], _p: Properties | None
    ) -> None:
        if refused := [str(code) for code in codes if code.is_failure]:
            self._trouble = (
                f"{self.broker.where} does not let {self.broker.account} read what stations"
                f" publish: {refused[0]}"
            )
        self._last_s = time.monotonic()
        self._ready.set()

    def _take(self, _client: Client, _userdata: object, message: MQTTMessage) -> None:
        station, _, leaf = message.topic.partition("/")[2].partition("/")
        if leaf == "availability":
            if message.retain and message.payload == b"online":
                self._online.add(station)
            self._news = self._news or not message.retain
            self._last_s = time.monotonic()
            return
        match = _SEQ.search(message.payload)
        if match is None:
            return
        seqs, seq = self._came.setdefault(station, set()), int(match[1])
        self.doubled += seq in seqs
        seqs.add(seq)


def _session(packet: int, expires_s: int) -> Properties:
    """Return how long the broker keeps a session after its connection."""
    properties = Properties(packet)  # type: ignore[no-untyped-call]
    properties.SessionExpiryInterval = expires_s
    return properties
