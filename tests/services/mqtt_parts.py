"""Parts of the MQTT tests: a durable subscriber, a journal to publish from, a process to kill."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from typing import Any

from paho.mqtt.client import Client, ConnectFlags, MQTTMessage, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from daemon.entries import JSON, Event, Instant, Kind
from daemon.journal.event_codec import body_of
from daemon.publishing.sink import Sink
from tests.conftest import LOOPBACK, Broker, wait_until
from tests.parts.numbered import START

STATION = "quarantine-wing"


def event(number: int, kind: Kind = Kind.PHASE, reservoir: str = "mix-1", **facts: JSON) -> Event:
    """An event, `number` seconds after the start."""
    at = Instant(START + timedelta(seconds=number), float(number), "boot-1")
    return Event(reservoir, at, "lot-7", body_of(kind, facts))


@dataclass
class Listener:
    """A durable subscriber to everything of the project, remembering all it was sent.

    Attributes:
        broker: Where.
        client_id: What the broker keeps its session under.
        username: Its account; None for none.
        messages: Topic, payload and retain flag of each message, in order.
    """

    broker: Broker
    client_id: str = "listener"
    username: str | None = None
    messages: list[tuple[str, bytes, bool]] = field(default_factory=list)
    _client: Client | None = field(default=None, repr=False)
    _subscribed: threading.Event = field(default_factory=threading.Event, repr=False)

    def come(self) -> None:
        """Be there as soon as the broker is, and again after each loss, until `leave`."""
        client = Client(CallbackAPIVersion.VERSION2, client_id=self.client_id, protocol=MQTTv5)
        if self.username is not None:
            client.username_pw_set(self.username, "listener-word")
        client.reconnect_delay_set(1, 1)

        def subscribe(
            _client: Client, _u: object, _f: ConnectFlags, _code: ReasonCode, _p: Properties | None
        ) -> None:
            client.subscribe("brinewright/#", qos=1)

        client.on_connect = subscribe
        client.on_subscribe = lambda *_: self._subscribed.set()
        client.on_message = self._take
        keep = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        keep.SessionExpiryInterval = 600
        client.connect_async(
            self.broker.host, self.broker.port, 30, clean_start=False, properties=keep
        )
        client.loop_start()
        self._client = client

    def wait(self) -> None:
        """Return once the broker knows what is wanted."""
        wait_until(self._subscribed.is_set, "the subscription")

    def leave(self) -> None:
        """Go away; the broker keeps what comes meanwhile."""
        assert self._client is not None
        self._client.disconnect()
        self._client.loop_stop()

    def _take(self, _client: Client, _userdata: object, message: MQTTMessage) -> None:
        self.messages.append((message.topic, bytes(message.payload), message.retain))

    def on(self, topic: str) -> list[bytes]:
        """Payloads that came on one topic below the station's."""
        full = f"brinewright/{STATION}/{topic}"
        return [said for at, said, _ in list(self.messages) if at == full]

    def objects(self, topic: str) -> list[dict[str, Any]]:
        """JSON objects that came on one topic below the station's."""
        return [json.loads(payload) for payload in self.on(topic)]

    def seqs(self) -> list[int]:
        """The `seq` of every reading and event that came, in order, with what came twice."""
        leaves = ("/reading", "/event")
        came = [said for topic, said, _ in list(self.messages) if topic.endswith(leaves)]
        return [json.loads(payload)["seq"] for payload in came]


def delivered(sink: Sink) -> bool:
    """Have a sink deliver what is due; true, for use in conditions."""
    sink.deliver([])
    return True


@dataclass
class Person:
    """A person at the broker who publishes messages and keeps the answers.

    Attributes:
        client: Theirs, connected.
        messages: Each message that came on what they subscribed to.
        codes: The broker's answer to each message of theirs, by number.
    """

    client: Client
    messages: list[MQTTMessage] = field(default_factory=list)
    codes: dict[int, int] = field(default_factory=dict)

    def say(
        self,
        topic: str,
        payload: bytes | Mapping[str, object],
        *,
        retain: bool = False,
        reply_to: str = "",
        correlation: bytes = b"",
    ) -> int:
        """Publish with QoS 1; return the broker's answer, from 0x80 a refusal."""
        body = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
        more = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        if reply_to:
            more.ResponseTopic = reply_to
        if correlation:
            more.CorrelationData = correlation
        mid = self.client.publish(topic, body, qos=1, retain=retain, properties=more).mid
        wait_until(lambda: mid in self.codes, f"the broker's answer to {topic}")
        return self.codes.pop(mid)

    def on(self, topic: str) -> list[bytes]:
        """Payloads that came on one topic."""
        return [bytes(each.payload) for each in list(self.messages) if each.topic == topic]

    def objects(self, topic: str) -> list[dict[str, Any]]:
        """JSON objects that came on one topic."""
        return [json.loads(payload) for payload in self.on(topic)]


@contextmanager
def present(
    broker: Broker, *topics: str, username: str | None = None, password: str = ""
) -> Iterator[Person]:
    """Be at a broker, subscribed to some topics."""
    client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTv5)
    if username is not None:
        client.username_pw_set(username, password)
    one, subscribed = Person(client), threading.Event()
    wishes = [(topic, SubscribeOptions(qos=1)) for topic in topics or ("nothing",)]

    def subscribe(
        _client: Client, _u: object, _f: ConnectFlags, _code: ReasonCode, _p: Properties | None
    ) -> None:
        client.subscribe(wishes)

    client.on_connect = subscribe
    client.on_subscribe = lambda *_: subscribed.set()
    client.on_message = lambda _c, _u, message: one.messages.append(message)
    client.on_publish = lambda _c, _u, mid, code, _p: one.codes.update({mid: code.value})
    client.connect(broker.host, broker.port, 30)
    client.loop_start()
    try:
        wait_until(subscribed.is_set, "the subscription")
        yield one
    finally:
        client.disconnect()
        client.loop_stop()


@contextmanager
def listening(
    broker: Broker, client_id: str = "listener", username: str | None = None
) -> Iterator[Listener]:
    """Subscribe durably, and again after each loss, with a session that outlives both sides."""
    heard = Listener(broker, client_id, username)
    heard.come()
    try:
        heard.wait()
        yield heard
    finally:
        heard.leave()


def openssl(*words: str | Path) -> None:
    """Run it; what it says is not wanted."""
    subprocess.run(["openssl", *words], check=True, capture_output=True)


def _sign(folder: Path, name: str, subject: str, *more: str) -> None:
    """Make a key and a certificate signed by the authority in the same folder."""
    key, request = folder / f"{name}.key", folder / f"{name}.csr"
    openssl(
        "req",
        *("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"),
        *("-subj", f"/CN={subject}", "-keyout", key, "-out", request),
        *more,
    )
    openssl(
        "x509",
        *("-req", "-in", request, "-days", "2", "-copy_extensions", "copy"),
        *("-CA", folder / "ca.pem", "-CAkey", folder / "ca.key", "-CAcreateserial"),
        *("-out", folder / f"{name}.pem"),
    )
    key.chmod(0o600)


def make_certificates(folder: Path) -> Path:
    """Make an authority, certificates of a broker on loopback and of a station, and a stranger."""
    for name in ("ca", "stranger"):
        openssl(
            "req",
            *("-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"),
            *("-subj", f"/CN={name}", "-days", "2"),
            *("-keyout", folder / f"{name}.key", "-out", folder / f"{name}.pem"),
        )
    _sign(folder, "broker", "broker", "-addext", f"subjectAltName=IP:{LOOPBACK}")
    _sign(folder, "station", STATION)
    return folder


def write_configuration(folder: Path, port: int, *more: str) -> Path:
    """A configuration that publishes `folder`/journal.db to a broker on `port`."""
    lines = [
        f'[station]\nname = "{STATION}"',
        # Tests run side by side, and each would want the page's one port.
        "" if any("[page]" in each for each in more) else "[page]\nenabled = false",
        '[[reservoir]]\nname = "mix-1"\ncapacity_l = 220\nfill_l = 180',
        "target_ppt = 34.0\ntolerance_ppt = 1.0",
        '[journal]\npath = "journal.db"',
        f'[mqtt]\nhost = "127.0.0.1"\nport = {port}\nkeepalive_s = 5',
        *more,
    ]
    path = folder / "brinewright.toml"
    path.write_text("\n".join(lines) + "\n")
    return path


@dataclass
class Publisher:
    """The real publishing process.

    Attributes:
        config: Its configuration.
        log_path: What it wrote to standard error, over all its lives.
    """

    config: Path
    log_path: Path
    process: subprocess.Popen[bytes] | None = None

    @property
    def log(self) -> list[str]:
        """The lines it wrote so far."""
        return self.log_path.read_text().splitlines() if self.log_path.exists() else []

    def start(self) -> None:
        """Start it; it may take a moment to connect."""
        assert self.process is None
        with self.log_path.open("ab") as out:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "daemon.publish", "--config", self.config],
                stdin=subprocess.DEVNULL,
                stdout=out,
                stderr=out,
            )

    def stop(self) -> int:
        """Ask it to end as the service manager does; return its exit code."""
        assert self.process is not None
        self.process.terminate()
        return self._ended()

    def kill(self) -> int:
        """End it without warning; nothing if it does not run."""
        if self.process is None:
            return 0
        self.process.kill()
        return self._ended()

    def ended(self) -> int:
        """Wait until it ends by itself; return its exit code."""
        assert self.process is not None
        return self._ended()

    def _ended(self) -> int:
        assert self.process is not None
        code = self.process.wait(10)
        self.process = None
        return code
