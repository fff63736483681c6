"""From the serial line to a subscriber: both processes, a real broker, one whole batch."""

from __future__ import annotations

import json
from pathlib import Path

from daemon.entries import Event, Phase
from daemon.journal.payloads import event_payload
from tests.conftest import Broker, wait_until
from tests.services.mqtt_parts import listening
from tests.services.service_parts import (
    BATCH_S,
    Station,
    assert_plain_speech,
    playing,
    running,
)


def test_a_subscriber_hears_the_batch_as_the_journal_holds_it(
    broker: Broker, tmp_path: Path
) -> None:
    """Every number once and in order, every event with its facts, and `ready` in the live state."""
    mqtt = f'[mqtt]\nhost = "{broker.host}"\nport = {broker.port}'
    station = Station(tmp_path, more=mqtt)
    words = ("daemon.run", "--config", str(station.config))
    with (
        listening(broker) as heard,
        playing(station, "plain-batch"),
        running("run", *words, folder=tmp_path) as process,
    ):
        station.wait_for(Phase.READY)
        wait_until(
            lambda: any(s["phase"] == "ready" for s in heard.objects("mix-1/state")),
            "the live state to say ready",
            BATCH_S,
        )
        assert process.stop() == 0
        seqs = [item.seq for item in station.stored()]
        # What was measured last may have no publisher left to tell it.
        told = heard.seqs()

    assert seqs[: len(told)] == told
    assert len(told) > 0.8 * len(seqs)
    kept = [item for item in station.stored() if isinstance(item.entry, Event)]
    events = {event["seq"]: event for event in heard.objects("mix-1/event")}
    batch = [item for item in kept if item.entry.reservoir and item.seq <= told[-1]]
    assert len(batch) > 5
    for item in batch:
        assert isinstance(item.entry, Event)
        said = {key: value for key, value in events[item.seq].items() if key != "seq"}
        assert json.loads(json.dumps(event_payload(item.entry))) == said
    assert_plain_speech(process)
