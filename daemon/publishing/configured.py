"""Which sinks the configuration asks for."""

from __future__ import annotations

from daemon.config import Config
from daemon.journal.reader import Reader
from daemon.publishing.sink import Sink


def make_sinks(config: Config, reader: Reader) -> list[Sink]:
    """Return every sink that the configuration asks for, not yet connected.

    Raises:
        SinkError: A secret of one cannot be read.
    """
    sinks: list[Sink] = []
    if config.mqtt is not None:
        from daemon.publishing.mqtt import MqttSink

        sinks.append(MqttSink(config.mqtt, config.station.name, reader))
    return sinks
