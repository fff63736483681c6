"""What an outage left to be made up, and what is live meanwhile, at a real broker."""

from __future__ import annotations

import time
from contextlib import closing
from pathlib import Path
from threading import Thread

from daemon.config import Mqtt
from daemon.journal.cursors import Cursors
from daemon.journal.reader import Reader
from daemon.journal.writer import Writer
from daemon.publishing.mqtt.publisher import MqttSink
from daemon.publishing.sink import follow
from tests.conftest import Broker, wait_until
from tests.parts.numbered import reading
from tests.parts.snapshots import stored
from tests.services.mqtt_parts import STATION, listening


def test_what_is_live_goes_between_a_backlog_that_is_held_to_a_rate(
    broker: Broker, tmp_path: Path
) -> None:
    """No faster than is set; a picture that comes meanwhile is shown within a second."""
    section = Mqtt(host=broker.host, port=broker.port, backlog_per_s=100)
    reader = Reader(tmp_path / "journal.db")
    with (
        Writer(tmp_path / "journal.db") as writer,
        Cursors(tmp_path / "journal-cursors.db") as cursors,
        closing(MqttSink(section, STATION, reader)) as sink,
        listening(broker) as heard,
    ):
        writer.append([reading(number) for number in range(200)], 0.0, {"mix-1": stored(age_h=7)})
        begun_s = time.monotonic()
        following = Thread(target=follow, args=(reader, cursors, sink))
        following.start()
        wait_until(lambda: len(heard.seqs()) >= 20, "the backlog's beginning")
        before = len(heard.seqs())
        writer.append([], 0.0, {"mix-1": stored(age_h=8)})
        wait_until(lambda: len(heard.on("mix-1/state")) == 2, "the new picture")
        meanwhile = len(heard.seqs()) - before
        following.join()
        took_s = time.monotonic() - begun_s
        wait_until(lambda: len(heard.seqs()) == 200, "all of it")

    assert [7, 8] == [told["age_h"] for told in heard.objects("mix-1/state")]
    assert meanwhile <= 100
    assert took_s > 1.9
