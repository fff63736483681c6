"""Which sinks the configuration asks for."""

from __future__ import annotations

from random import Random

from daemon.config import Config, Mqtt
from daemon.journal.reader import Reader
from daemon.publishing.sink import Sink


def make_sinks(config: Config, reader: Reader) -> list[Sink]:
    """Return every sink that the configuration asks for, not yet connected.

    Raises:
        SinkError: A secret of one cannot be read.
    """
    sinks: list[Sink] = []
    if config.mqtt is not None:
        sinks.append(_mqtt(config, config.mqtt, reader))
    return sinks


def _mqtt(config: Config, settings: Mqtt, reader: Reader) -> Sink:
    from daemon.journal.inbox import Inbox, beside
    from daemon.publishing.announcer import Announcer
    from daemon.publishing.commands import Commands
    from daemon.publishing.discovery import Announced
    from daemon.publishing.mqtt import MqttSink

    station = config.station.name
    told = [
        Announced(station, each.name, bool(each.due), settings.commands)
        for each in config.reservoirs
    ]
    commands = Commands(
        station,
        tuple(each.name for each in config.reservoirs),
        settings.commands,
        Inbox(beside(config.journal.path)),
        reader,
        closed_topics=(f"{settings.discovery_prefix}/", "homeassistant/"),
    )
    announcer = Announcer(
        station,
        settings.discovery_prefix,
        told if settings.discovery else (),
        Random(),  # noqa: S311 - spreads announcements, hides nothing
    )
    return MqttSink(
        settings,
        station,
        reader,
        commands=commands if settings.commands else None,
        announcer=announcer,
    )
