"""The example configuration of a broker: who may read and write what, on a real mosquitto."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from random import Random

import pytest

from daemon.config import Mqtt
from daemon.entries import Kind
from daemon.journal.cursors import Cursors
from daemon.journal.inbox import Inbox
from daemon.journal.reader import Reader
from daemon.journal.writer import Writer
from daemon.publishing.mqtt.command_intake import CommandIntake
from daemon.publishing.mqtt.hub.announcer import PAUSE_S, Announcer
from daemon.publishing.mqtt.hub.hub_device import HubDevice
from daemon.publishing.mqtt.hub.hub_parts import HubParts
from daemon.publishing.mqtt.publisher import MqttSink
from daemon.publishing.sink import SinkError, follow
from tests.conftest import LOOPBACK, Broker, find_free_port, wait_until
from tests.parts.inboxes import made
from tests.parts.numbered import reading
from tests.parts.snapshots import stored
from tests.services.mqtt_parts import STATION, delivered, event, make_certificates, present

EXAMPLE = Path(__file__).parents[2] / "deploy" / "broker"
HERE = f"brinewright/{STATION}"
COMMAND = f"{HERE}/mix-1/command"
CONFIG = f"homeassistant/device/brinewright-{STATION}/reservoir_mix-1/config"
USE = {"id": "a", "verb": "batch.use"}
REFUSAL = 0x80


@dataclass
class Guarded:
    """A broker configured as the example says.

    Attributes:
        broker: It; also on a plain port, for the test.
        tls_port: Its port for TLS.
        certificates: A folder with the authority that signed its certificate.
    """

    broker: Broker
    tls_port: int
    certificates: Path


@pytest.fixture(scope="session")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with an authority and the broker's certificate."""
    return make_certificates(tmp_path_factory.mktemp("certificates"))


@pytest.fixture
def guarded(make_broker: Callable[..., Broker], tmp_path: Path, certificates: Path) -> Guarded:
    """A broker with the example's every line, its places moved here, and one station more."""
    words, rights = tmp_path / "words", tmp_path / "rights"
    accounts = (STATION, "hub", "display", "north-wing")
    words.write_text("".join(f"{name}:{name}-word\n" for name in accounts))
    words.chmod(0o600)
    subprocess.run(["mosquitto_passwd", "-U", words], check=True)
    example = (EXAMPLE / "rights").read_text(encoding="utf-8")
    (block,) = [each for each in example.split("\n\n") if f"user {STATION}\n" in each]
    rights.write_text(example + "\n" + block.replace(STATION, "north-wing") + "\n")
    rights.chmod(0o600)
    tls_port = find_free_port()
    moved = {
        "listener 1883 127.0.0.1": f"listener {find_free_port()} {LOOPBACK}",
        "listener 8883": f"listener {tls_port} {LOOPBACK}",
        "/etc/mosquitto/certs": str(certificates),
        "/etc/mosquitto/brinewright-passwords": str(words),
        "/etc/mosquitto/brinewright-rights": str(rights),
    }
    text = "\n".join(_settings())
    for place, here in moved.items():
        assert 1 <= text.count(place)
        text = text.replace(place, here)
    one = make_broker(*text.splitlines(), anonymous=False)
    one.start()
    return Guarded(one, tls_port, certificates)


def _settings() -> list[str]:
    lines = (EXAMPLE / "mosquitto.conf").read_text(encoding="utf-8").splitlines()
    return [line for line in lines if line and not line.startswith("#")]


@pytest.fixture
def inbox(tmp_path: Path) -> Inbox:
    """Where commands go."""
    return made(tmp_path / "journal.db")


@pytest.fixture
def writer(tmp_path: Path) -> Iterator[Writer]:
    """The writer of the station's journal."""
    with Writer(tmp_path / "journal.db") as one:
        yield one


class Hands:
    """A monotonic clock that stands until it is moved."""

    now_s = 100.0

    def __call__(self) -> float:
        """Where it stands, s."""
        return self.now_s


@pytest.fixture
def station(guarded: Guarded, tmp_path: Path, writer: Writer, inbox: Inbox) -> Iterator[MqttSink]:
    """The station under its own account, with an entry of each kind published and announced."""
    word = tmp_path / "mqtt-password"
    word.write_text(f"{STATION}-word\n")
    word.chmod(0o600)
    section = Mqtt.model_validate(
        {
            "host": LOOPBACK,
            "port": guarded.tls_port,
            "tls": True,
            "ca_file": str(guarded.certificates / "ca.pem"),
            "username": STATION,
            "password_file": str(word),
        }
    )
    reader, clock = Reader(tmp_path / "journal.db"), Hands()
    sink = MqttSink(
        section,
        STATION,
        reader,
        clock,
        commands=CommandIntake(STATION, ("mix-1",), ("batch.use",), inbox, reader),
        hubs=HubParts(
            Announcer(STATION, "homeassistant", [HubDevice(STATION, "mix-1")], Random(5))
        ),
    )
    raised = event(2, Kind.ALARM, name="salt-low", what="raised")
    own = event(3, Kind.ALARM, reservoir="", name="storage-low", what="raised")
    writer.append([reading(1), raised, own], 0.0, {"mix-1": stored(phase="ready")})
    with Cursors(tmp_path / "cursors.db") as cursors:
        assert 3 == follow(reader, cursors, sink)
    clock.now_s += PAUSE_S[1]
    sink.deliver([])
    yield sink
    sink.close()


def test_the_station_publishes_all_and_hears_commands(
    guarded: Guarded, station: MqttSink, inbox: Inbox
) -> None:
    """The example gives its account every right that the service needs, hub and screen theirs."""
    with (
        present(guarded.broker, "#", username="hub", password="hub-word") as hub,
        present(guarded.broker, "#", username="display", password="display-word") as display,
    ):
        assert hub.say(COMMAND, USE) < REFUSAL
        assert hub.say(COMMAND, b"?") < REFUSAL
        wait_until(lambda: delivered(station) and bool(inbox.after(0)), "the command")
        wait_until(
            lambda: delivered(station) and bool(hub.on(f"{COMMAND}/reply")),
            "the refusal of the other",
        )
        wait_until(lambda: bool(hub.on(CONFIG)), "the announcement")
        wait_until(lambda: len(display.messages) >= 4, "what the screen may see")

    retained = {
        f"{HERE}/availability",
        f"{HERE}/mix-1/state",
        f"{HERE}/mix-1/alarm/salt-low",
        f"{HERE}/alarm/storage-low",
    }
    assert retained == {each.topic for each in display.messages}
    assert retained | {f"{COMMAND}/reply", CONFIG} == {each.topic for each in hub.messages}


@pytest.mark.parametrize("who", ["hub", "display", "north-wing"])
def test_no_other_account_reads_commands(
    guarded: Guarded, station: MqttSink, inbox: Inbox, who: str
) -> None:
    """Not even who may give them."""
    wishes = (COMMAND, f"{HERE}/command", f"{HERE}/+/command", "brinewright/#", "#")
    with (
        present(guarded.broker, *wishes, username=who, password=f"{who}-word") as other,
        present(guarded.broker, username="hub", password="hub-word") as hub,
    ):
        hub.say(COMMAND, USE)
        hub.say(f"{HERE}/command", USE | {"id": "b"})
        wait_until(lambda: delivered(station) and len(inbox.after(0)) == 2, "both")
        # Came after the commands, on a topic that each of them may read.
        station.close()
        if who != "north-wing":
            wait_until(lambda: b"offline" in other.on(f"{HERE}/availability"), "the last word")

    assert [] == other.on(COMMAND) + other.on(f"{HERE}/command")


@pytest.mark.parametrize("who", ["hub", "display", "north-wing"])
def test_no_other_account_publishes_as_the_station(
    guarded: Guarded, station: MqttSink, who: str
) -> None:
    """Each try is refused, and what the broker keeps of the station stays as it was."""
    topics = [
        f"{HERE}/availability",
        f"{HERE}/mix-1/state",
        f"{HERE}/mix-1/reading",
        f"{HERE}/mix-1/event",
        f"{HERE}/mix-1/alarm/salt-low",
        f"{HERE}/alarm/storage-low",
        f"{HERE}/event",
        f"{HERE}/command/reply",
        f"{COMMAND}/reply",
    ]
    with present(guarded.broker, username=who, password=f"{who}-word") as other:
        codes = [other.say(topic, b"forged", retain=True) for topic in topics]
        if who != "hub":
            codes += [other.say(topic, b"x") for topic in (COMMAND, f"{HERE}/command", CONFIG)]
    with present(guarded.broker, "#", username="hub", password="hub-word") as hub:
        wait_until(lambda: len(hub.messages) >= 5, "what is kept")

    assert [True] * len(codes) == [code >= REFUSAL for code in codes]
    assert stored(phase="ready") == json.loads(hub.on(f"{HERE}/mix-1/state")[0])
    assert b"forged" not in [each.payload for each in hub.messages]


def test_nobody_comes_in_without_an_account(guarded: Guarded) -> None:
    """Neither with none nor with a wrong word."""
    for more in ({}, {"username": STATION, "password_file": str(guarded.certificates / "ca.key")}):
        section = Mqtt.model_validate({"host": LOOPBACK, "port": guarded.broker.port, **more})
        sink = MqttSink(section, STATION, Reader(guarded.certificates / "no-journal.db"))
        with pytest.raises(SinkError, match=r"requires an account|refused the account"):
            sink.deliver([])
