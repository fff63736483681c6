"""TLS with a real broker and certificates made for the test, and a broker of the older protocol."""

from __future__ import annotations

import re
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from daemon.config import Mqtt
from daemon.journal.cursors import Cursors
from daemon.journal.reader import Reader
from daemon.journal.writer import Writer
from daemon.publishing.mqtt.command_intake import CommandIntake
from daemon.publishing.mqtt.publisher import MqttSink
from daemon.publishing.sink import SinkError, follow
from tests.conftest import LOOPBACK, Broker, find_free_port, wait_until
from tests.parts.inboxes import made
from tests.parts.numbered import reading
from tests.services.mqtt_parts import STATION, listening, make_certificates, openssl, present

COMMAND = f"brinewright/{STATION}/mix-1/command"


@pytest.fixture(scope="session")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with an authority, the broker's certificate, ours, and a stranger's authority."""
    return make_certificates(tmp_path_factory.mktemp("certificates"))


@pytest.fixture
def make_sink(tmp_path: Path) -> Iterator[Callable[..., MqttSink]]:
    """A function that gives a sink for some settings, closed in the end."""
    made: list[MqttSink] = []

    def make(**settings: object) -> MqttSink:
        made.append(
            MqttSink(Mqtt.model_validate(settings), STATION, Reader(tmp_path / "journal.db"))
        )
        return made[-1]

    with Writer(tmp_path / "journal.db") as writer:
        writer.append([reading(1), reading(2)], 0.0)
        yield make
        for sink in made:
            sink.close()


MakeSink = Callable[..., MqttSink]


@pytest.fixture
def secured(make_broker: Callable[..., Broker], certificates: Path) -> tuple[Broker, int]:
    """A broker with a plain port for the test and a TLS port, which wants a certificate."""
    port = find_free_port()
    broker = make_broker(
        f"listener {port} {LOOPBACK}",
        "allow_anonymous true",
        f"cafile {certificates / 'ca.pem'}",
        f"certfile {certificates / 'broker.pem'}",
        f"keyfile {certificates / 'broker.key'}",
        "require_certificate true",
        "tls_version tlsv1.2",
    )
    broker.start()
    return broker, port


def _settings(port: int, folder: Path, **more: object) -> dict[str, object]:
    return {
        "host": LOOPBACK,
        "port": port,
        "tls": True,
        "ca_file": str(folder / "ca.pem"),
        "cert_file": str(folder / "station.pem"),
        "key_file": str(folder / "station.key"),
        **more,
    }


def test_entries_come_over_tls(
    secured: tuple[Broker, int], make_sink: MakeSink, certificates: Path, tmp_path: Path
) -> None:
    """With the right authority and a certificate of ours, everything is as without TLS."""
    broker, port = secured
    with listening(broker) as heard, Cursors(tmp_path / "cursors.db") as cursors:
        follow(Reader(tmp_path / "journal.db"), cursors, make_sink(**_settings(port, certificates)))
        wait_until(lambda: heard.seqs() == [1, 2], "both readings")


@pytest.mark.parametrize(
    "more, sentence",
    [
        ({"ca_file": "stranger.pem"}, r"certificate is not to be trusted \(.*mqtt\.ca_file"),
        ({"ca_file": None}, r"certificate is not to be trusted \(.*mqtt\.ca_file"),
        ({"host": "localhost"}, r"not to be trusted \(.*[Hh]ostname mismatch.*mqtt\.host"),
        ({"cert_file": None, "key_file": None}, r"require a certificate of ours \(mqtt\.cert_file"),
    ],
    ids=["stranger", "system", "name", "no certificate"],
)
def test_a_broker_or_a_station_that_is_not_trusted_is_a_sentence(
    secured: tuple[Broker, int],
    make_sink: MakeSink,
    certificates: Path,
    more: dict[str, str | None],
    sentence: str,
) -> None:
    """Nothing is said to a broker that cannot prove who it is; each fault names its key."""
    files = {
        key: str(certificates / value) if value and key.endswith("file") else value
        for key, value in more.items()
    }
    sink = make_sink(**_settings(secured[1], certificates, **files))

    with pytest.raises(SinkError, match=sentence):
        sink.deliver([])


def test_the_wrong_one_of_two_ports_is_a_sentence(
    secured: tuple[Broker, int], make_sink: MakeSink, certificates: Path
) -> None:
    """TLS on the plain port, and plain on the port for TLS: each says which key to look at."""
    broker, tls_port = secured
    with pytest.raises(SinkError, match=r"does not speak TLS with us: .* usually 8883"):
        make_sink(**_settings(broker.port, certificates)).deliver([])
    with pytest.raises(SinkError, match=r"speak TLS on that port \(mqtt\.tls, mqtt\.port\)"):
        make_sink(host=LOOPBACK, port=tls_port).deliver([])


@pytest.mark.parametrize(
    "key, content, mode, sentence",
    [
        ("ca_file", None, 0o644, r"mqtt\.ca_file: .* cannot be used: No such file"),
        ("ca_file", "no PEM", 0o644, r"mqtt\.ca_file: .* it is not what it should be, PEM"),
        ("cert_file", None, 0o600, r"mqtt\.cert_file: .* cannot be used: No such file"),
        ("cert_file", "no PEM", 0o600, r"mqtt\.cert_file: .* it is not what it should be, PEM"),
        ("key_file", None, 0o600, r"mqtt\.key_file: .* cannot be read: No such file"),
        ("key_file", "x", 0o640, r"mqtt\.key_file: others than its owner may read .*chmod"),
    ],
)
def test_a_file_that_cannot_be_used_is_a_sentence(
    make_sink: MakeSink,
    certificates: Path,
    tmp_path: Path,
    key: str,
    content: str | None,
    mode: int,
    sentence: str,
) -> None:
    """Missing, of the wrong kind, or open to others: refused before the broker is asked."""
    path = tmp_path / "file.pem"
    if content is not None:
        path.write_text(content)
        path.chmod(mode)

    with pytest.raises(SinkError, match=sentence):
        make_sink(**_settings(1, certificates, **{key: str(path)}))


def test_a_key_under_a_passphrase_is_a_sentence(
    make_sink: MakeSink, certificates: Path, tmp_path: Path
) -> None:
    """Nobody is there to type it, and the process does not wait for it at a terminal."""
    locked = tmp_path / "locked.key"
    openssl(
        *("pkey", "-in", certificates / "station.key", "-aes256"),
        *("-passout", "pass:word", "-out", locked),
    )
    locked.chmod(0o600)

    with pytest.raises(SinkError, match="locked with a passphrase; remove the passphrase"):
        make_sink(**_settings(1, certificates, key_file=str(locked)))


# --- a broker of the older protocol -------------------------------------------------------------


class OldBroker:
    """Stands before a real broker and refuses version 5, as one of 3.1.1 does.

    Source: OASIS, MQTT Version 3.1.1 (2014), 3.1.2.2 and 3.2.2.3: CONNACK with code 1.

    Attributes:
        port: Where it listens.
        versions: Protocol level of each request to connect.
    """

    def __init__(self, behind: Broker) -> None:
        self._behind = behind
        self._listener = socket.create_server((LOOPBACK, 0))
        self.port: int = self._listener.getsockname()[1]
        self.versions: list[int] = []
        self._open: list[socket.socket] = [self._listener]
        self._threads = [threading.Thread(target=self._serve)]
        self._threads[0].start()

    def close(self) -> None:
        """End it with all its lines."""
        for line in self._open:
            with suppress(OSError):
                line.shutdown(socket.SHUT_RDWR)
            line.close()
        for thread in self._threads:
            thread.join(5)

    def _serve(self) -> None:
        with suppress(OSError):
            while True:
                line, _ = self._listener.accept()
                self._open.append(line)
                first = line.recv(4096)
                found = re.search(rb"\x00\x04MQTT(.)", first, re.DOTALL)
                assert found
                self.versions.append(found[1][0])
                if found[1] == b"\x05":
                    line.sendall(b"\x20\x02\x00\x01")
                    line.close()
                else:
                    self._pass_on(line, first)

    def _pass_on(self, line: socket.socket, first: bytes) -> None:
        far = socket.create_connection((LOOPBACK, self._behind.port))
        self._open.append(far)
        far.sendall(first)
        for source, sink in ((line, far), (far, line)):
            thread = threading.Thread(target=self._pump, args=(source, sink))
            self._threads.append(thread)
            thread.start()

    def _pump(self, source: socket.socket, sink: socket.socket) -> None:
        with suppress(OSError):
            while data := source.recv(4096):
                sink.sendall(data)
        with suppress(OSError):
            sink.shutdown(socket.SHUT_RDWR)


@pytest.fixture
def old(broker: Broker) -> Iterator[OldBroker]:
    """A broker of MQTT 3.1.1."""
    one = OldBroker(broker)
    yield one
    one.close()


def test_a_broker_of_the_older_protocol_is_spoken_to_in_it(
    old: OldBroker,
    broker: Broker,
    make_sink: MakeSink,
    tmp_path: Path,
    caplog: pytest.LogCaptureFixture,
) -> None:
    """Refused in version 5, it is asked in 3.1.1 at once, and from then on."""
    caplog.set_level("INFO", "brinewright.publish")
    sink = make_sink(host=LOOPBACK, port=old.port)
    with listening(broker) as heard, Cursors(tmp_path / "cursors.db") as cursors:
        follow(Reader(tmp_path / "journal.db"), cursors, sink)
        wait_until(lambda: heard.seqs() == [1, 2], "both readings")
        sink.close()
        sink.deliver([])

    assert [5, 4, 4] == old.versions
    assert ["it speaks MQTT 3.1.1 only"] * 2 == [
        line.partition("(")[2].rstrip(")") for line in caplog.messages
    ]
    assert [b"online", b"offline", b"online"] == heard.on("availability")


def test_commands_work_in_the_older_protocol(
    old: OldBroker, broker: Broker, make_sink: MakeSink, tmp_path: Path
) -> None:
    """Without a response topic to speak of, the answer comes on the usual one."""
    reader = Reader(tmp_path / "journal.db")
    make_sink(host=LOOPBACK, port=old.port)
    commands = CommandIntake(
        STATION, ("mix-1",), ("batch.use",), made(tmp_path / "journal.db"), reader
    )
    section = Mqtt.model_validate({"host": LOOPBACK, "port": old.port})
    sink = MqttSink(section, STATION, reader, commands=commands)
    try:
        sink.deliver([])
        with present(broker, f"{COMMAND}/reply") as kim:
            kim.say(COMMAND, b"?")
            wait_until(sink.pressing, "the command")
            sink.deliver([])
            wait_until(lambda: bool(kim.messages), "the refusal")
    finally:
        sink.close()

    assert [False] == [told["ok"] for told in kim.objects(f"{COMMAND}/reply")]
