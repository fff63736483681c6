"""The publishing process, started as the service manager starts it, against a real broker."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from daemon.journal.writer import Writer
from tests.conftest import Broker, wait_until
from tests.parts.numbered import reading
from tests.services.mqtt_parts import (
    STATION,
    Person,
    Publisher,
    listening,
    present,
    write_configuration,
)
from tests.services.service_parts import Station, measuring, playing


@pytest.fixture
def make_publisher(tmp_path: Path) -> Iterator[Callable[..., Publisher]]:
    """A function that gives the publishing process for a port, not started; killed in the end."""
    made: list[Publisher] = []

    def make(port: int, *more: str) -> Publisher:
        config = write_configuration(tmp_path, port, *more)
        made.append(Publisher(config, tmp_path / "publish.log"))
        return made[-1]

    yield make
    for publisher in made:
        publisher.kill()


@pytest.fixture
def writer(tmp_path: Path) -> Iterator[Writer]:
    """The writer of the journal that is published."""
    with Writer(tmp_path / "journal.db") as one:
        yield one


MakePublisher = Callable[..., Publisher]


def test_a_stop_is_clean_and_says_offline(
    broker: Broker, writer: Writer, make_publisher: MakePublisher
) -> None:
    """SIGTERM ends it with 0 and no warning of slow parts: `offline`, and everything delivered."""
    publisher = make_publisher(broker.port)
    writer.append([reading(1)], 0.0)
    with listening(broker) as heard:
        publisher.start()
        wait_until(lambda: heard.seqs() == [1], "the reading")
        code = publisher.stop()
        wait_until(lambda: len(heard.on("availability")) >= 2, "offline")

    assert (0, [b"online", b"offline"]) == (code, heard.on("availability"))
    assert ["INFO"] == [line.split()[2] for line in publisher.log]


def test_the_broker_says_offline_for_a_killed_process(
    broker: Broker, writer: Writer, make_publisher: MakePublisher
) -> None:
    """The last will speaks when the process cannot."""
    publisher = make_publisher(broker.port)
    with listening(broker) as heard:
        publisher.start()
        wait_until(lambda: heard.on("availability") == [b"online"], "online")
        publisher.kill()
        wait_until(lambda: heard.on("availability") == [b"online", b"offline"], "the last will")


def test_it_waits_for_a_journal_and_for_a_broker(
    make_broker: Callable[..., Broker], tmp_path: Path, make_publisher: MakePublisher
) -> None:
    """Started first of all, it publishes everything once the others are there."""
    broker = make_broker()
    publisher = make_publisher(broker.port)
    publisher.start()
    wait_until(lambda: len(publisher.log) == 1, "its first line")
    with Writer(tmp_path / "journal.db") as writer:
        writer.append([reading(1), reading(2)], 0.0)
        wait_until(lambda: len(publisher.log) == 2, "word of the absent broker")
        broker.start()
        with listening(broker) as heard:
            wait_until(lambda: heard.seqs() == [1, 2], "both readings")
            wait_until(lambda: len(publisher.log) == 4, "word that it works")

    assert "waiting for the journal" in publisher.log[0]
    assert f"no broker 127.0.0.1:{broker.port}: nobody listens there" in publisher.log[1]
    assert ["INFO", "WARNING", "INFO", "INFO"] == [line.split()[2] for line in publisher.log]
    assert "works again" in publisher.log[3]


def test_a_broker_killed_in_the_middle_costs_nothing(
    broker: Broker, writer: Writer, make_publisher: MakePublisher
) -> None:
    """A durable subscriber holds every number once, after it dropped what came twice."""
    publisher = make_publisher(broker.port)
    with listening(broker) as heard:
        publisher.start()
        for number in range(1, 601):
            writer.append([reading(number)], float(number))
            if number in (150, 400):
                wait_until(lambda: len(heard.seqs()) > 20, "the stream")
                broker.kill()
            if number in (300, 500):
                broker.start()
                wait_until(lambda: publisher_is_back(publisher), "the publisher's return")
        wait_until(lambda: set(heard.seqs()) == set(range(1, 601)), "all of them")

    assert list(range(1, 601)) == list(dict.fromkeys(heard.seqs()))


def publisher_is_back(publisher: Publisher) -> bool:
    """Whether the last thing it said is that it works."""
    return "works again" in publisher.log[-1]


def test_a_wrong_password_is_said_once_and_tried_seldom(
    make_broker: Callable[..., Broker],
    writer: Writer,
    tmp_path: Path,
    make_publisher: MakePublisher,
) -> None:
    """One line in the log, and no more tries than the growing pauses allow."""
    (tmp_path / "words").write_text("")
    (tmp_path / "words").chmod(0o600)
    broker = make_broker(f"password_file {tmp_path / 'words'}", anonymous=False)
    broker.start()
    (tmp_path / "mqtt-password").write_text("wrong\n")
    (tmp_path / "mqtt-password").chmod(0o600)
    publisher = make_publisher(
        broker.port, 'username = "brinewright"', 'password_file = "mqtt-password"'
    )
    publisher.start()
    # The third try comes 1.5 to 3 s after the first; the fourth after 3.5 s at the soonest.
    wait_until(lambda: broker.log.count("not authorised") >= 3, "the third try")
    assert 0 == publisher.stop()

    sentence = "refused the account 'brinewright': check mqtt.username and mqtt.password_file"
    assert [True] == [sentence in line for line in publisher.log]


def test_nothing_to_publish_to_is_said_and_done(
    tmp_path: Path, make_publisher: MakePublisher
) -> None:
    """Without any sink it says so in one line and ends well."""
    publisher = make_publisher(1883)
    text = publisher.config.read_text()
    publisher.config.write_text(text.partition("[mqtt]")[0])
    publisher.start()

    assert 0 == publisher.ended()
    assert [True] == ["nothing to publish to" in line for line in publisher.log]


@pytest.mark.parametrize(
    "more, key",
    [
        (('password_file = "absent"', 'username = "x"'), "mqtt.password_file"),
        (("prot = 1884",), "mqtt.prot"),
    ],
)
def test_a_configuration_that_cannot_be_used_ends_it_with_78(
    make_publisher: MakePublisher, more: tuple[str, ...], key: str
) -> None:
    """Sentences and exit code 78, never a traceback."""
    publisher = make_publisher(1883, *more)
    publisher.start()

    assert 78 == publisher.ended()
    assert [] == [line for line in publisher.log if "Traceback" in line]
    assert [True] == [key in line for line in publisher.log]


def test_it_costs_next_to_nothing_while_nothing_happens(
    broker: Broker, writer: Writer, make_publisher: MakePublisher
) -> None:
    """Idle, it uses less than 2 % of a processor (1 % is the aim; the machine is shared)."""
    publisher = make_publisher(broker.port)
    writer.append([reading(1)], 0.0)
    with listening(broker) as heard:
        publisher.start()
        wait_until(lambda: heard.seqs() == [1], "the reading")
        assert publisher.process is not None
        before_s = _cpu_s(publisher.process.pid)
        time.sleep(3.0)  # the span that is measured
        used_s = _cpu_s(publisher.process.pid) - before_s

    assert used_s / 3.0 < 0.02, f"{used_s / 3.0:.1%}"


def _cpu_s(pid: int) -> float:
    # utime and stime are fields 14 and 15 of /proc/PID/stat, in clock ticks: proc(5).
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def test_a_command_is_carried_out_by_measuring_and_answered(broker: Broker, tmp_path: Path) -> None:
    """Both processes, a real line and a real broker: asked, done, answered, and in the events."""
    station = Station(
        tmp_path,
        speed=20.0,
        more=f'[mqtt]\nhost = "127.0.0.1"\nport = {broker.port}\n'
        'commands = ["lot.add", "batch.use"]',
    )
    here = f"brinewright/{STATION}"
    publisher = Publisher(station.config, tmp_path / "publish.log")
    with (
        present(broker, "bench/answers", f"{here}/event", f"{here}/+/event") as kim,
        playing(station, "plain-batch"),
        measuring(station),
    ):
        try:
            station.wait_for_readings(1)
            publisher.start()
            wait_until(lambda: any("publishing to" in line for line in publisher.log), "its ears")
            kim.say(
                f"{here}/command",
                {"id": "a", "verb": "lot.add", "name": "L-7", "bought_g": 25_000, "who": "kim"},
                reply_to="bench/answers",
            )
            kim.say(f"{here}/mix-1/command", {"verb": "batch.use"}, reply_to="bench/answers")
            wait_until(lambda: len(kim.objects("bench/answers")) == 2, "both answers")
            wait_until(lambda: len(_commands(kim, here)) == 2, "both in the events")
        finally:
            publisher.kill()
    first, second = sorted(kim.objects("bench/answers"), key=lambda told: told["id"] != "a")

    assert ("a", True, "L-7" in first["answer"]) == (first["id"], first["ok"], True)
    assert (False, "mix-1") == (second["ok"], second["reservoir"])
    assert {("kim", "mqtt", True), ("mqtt", "mqtt", False)} == {
        (told["who"], told["via"], told["ok"]) for told in _commands(kim, here)
    }


def _commands(kim: Person, here: str) -> list[dict[str, Any]]:
    told = kim.objects(f"{here}/event") + kim.objects(f"{here}/mix-1/event")
    return [each for each in told if each["kind"] == "command"]


def test_it_needs_none_of_the_command_line_libraries() -> None:
    """A Pi's memory is not spent on what only the command line uses."""
    code = (
        "import daemon.publish, daemon.publishing.mqtt.publisher, daemon.page.page_assembly, sys;"
        " print(*sys.modules)"
    )
    found = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, check=True, text=True
    ).stdout.split()

    assert set() == {"typer", "rich", "numpy", "gsw", "serial", "daemon.measure"} & set(found)
