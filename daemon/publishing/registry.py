"""Which sinks the configuration asks for."""

from __future__ import annotations

import logging
from collections.abc import Mapping
from datetime import UTC, time, timedelta, tzinfo
from functools import partial
from random import Random
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from daemon.config import Config, Influx, Mqtt, Notify
from daemon.journal.cursors import Cursors, cursors_path
from daemon.journal.reader import Reader
from daemon.journal.station_clock import station_clock
from daemon.logs import Outage
from daemon.publishing.sink import BATCH, Sink, cursor_key
from daemon.publishing.tail import STEP_WITHIN_S

if TYPE_CHECKING:
    from daemon.publishing.heartbeat import HeartbeatLoop
    from daemon.publishing.notify.delivery import Delivery
    from daemon.publishing.notify.formatter import Formatter
    from daemon.publishing.notify.receivers import Receiver


def make_sinks(config: Config, reader: Reader) -> list[Sink]:
    """Return every sink that the configuration asks for, not yet connected.

    Raises:
        SinkError: A secret of one cannot be read.
    """
    sinks: list[Sink] = []
    if config.mqtt is not None:
        sinks.append(_mqtt(config, config.mqtt, reader))
    if config.influx is not None:
        sinks.append(_influx(config, config.influx, reader))
    if config.notify is not None:
        sinks.append(_notify(config, config.notify, reader))
    return sinks


def make_heartbeat(config: Config, reader: Reader) -> HeartbeatLoop | None:
    """Return the sign of life that the configuration asks for, if it does.

    Raises:
        SinkError: Its address cannot be read.
    """
    if config.heartbeat is None:
        return None
    from daemon.publishing.heartbeat import HeartbeatLoop, ping, read_url

    url = read_url(config.heartbeat.url_file)
    outage = Outage(logging.getLogger("brinewright.publish"), "the heartbeat")
    return HeartbeatLoop(partial(ping, url), config.heartbeat.every_s, reader, outage)


def _influx(config: Config, settings: Influx, reader: Reader) -> Sink:
    from daemon.publishing.influx.live_chance import LiveChance
    from daemon.publishing.influx.publisher import InfluxSink

    station = config.station.name
    return InfluxSink(settings, station, live=LiveChance(station, reader))


def kept_after_s(config: Config, sink: str) -> float:
    """Return how long after acknowledging a sink's other side has written down, s."""
    sections = {"mqtt": config.mqtt, "influx": config.influx}
    section = sections.get(sink)
    return 0.0 if section is None else section.kept_after_s


def step_within_s(config: Config, sink: str) -> float:
    """Return the longest that a batch for a sink may take, s; a slow pace makes it longer."""
    slow_s = BATCH / config.mqtt.backlog_per_s if sink == "mqtt" and config.mqtt else 0.0
    return STEP_WITHIN_S + slow_s


def _mqtt(config: Config, settings: Mqtt, reader: Reader) -> Sink:
    from daemon.journal.inbox import Inbox, beside
    from daemon.publishing.mqtt.command_intake import CommandIntake
    from daemon.publishing.mqtt.hub.announced_file import AnnouncedFile, announced_path
    from daemon.publishing.mqtt.hub.announcer import Announcer
    from daemon.publishing.mqtt.hub.configured_devices import configured_devices
    from daemon.publishing.mqtt.hub.feed import HubFeed
    from daemon.publishing.mqtt.hub.fired_events import FiredEvents
    from daemon.publishing.mqtt.hub.hub_parts import HubParts
    from daemon.publishing.mqtt.hub.left_behind import LeftBehind, Present
    from daemon.publishing.mqtt.hub.press_desk import PressDesk
    from daemon.publishing.mqtt.publisher import MqttSink

    station = config.station.name
    names = tuple(each.name for each in config.reservoirs)
    commands = CommandIntake(
        station,
        names,
        settings.commands,
        Inbox(beside(config.journal.path)),
        reader,
        closed_topics=(f"{settings.discovery_prefix}/", "homeassistant/"),
    )
    rng = Random()  # noqa: S311 - spreads announcements, hides nothing
    devices = configured_devices(config, settings) if settings.discovery else ()
    announcer = Announcer(station, settings.discovery_prefix, devices, rng)
    left = LeftBehind(
        Present(station, names, announcer.topics),
        f"{settings.host}:{settings.port}",
        partial(AnnouncedFile, announced_path(config.journal.path)),
        announcer.concerns,
        rng,
    )
    clock = station_clock(config)
    desk = PressDesk(
        commands, station, {each.name: each.capacity_l for each in config.reservoirs}, clock.now
    )
    feed = HubFeed(station, names, lambda: clock.now().wall)
    fired = FiredEvents(
        station, clock.now, reader.identity, lambda: _acknowledged(config, reader, "mqtt")
    )
    hubs = HubParts(announcer, feed, left, fired)
    return MqttSink(
        settings,
        station,
        reader,
        commands=(desk if settings.discovery else commands) if settings.commands else None,
        reservoirs=names,
        hubs=hubs if settings.discovery else HubParts(announcer, left=left),
    )


def make_deliveries(config: Config) -> Mapping[Receiver, Delivery]:
    """Return how each receiver of notifications is reached; nothing is sent yet.

    Raises:
        SinkError: The file of addresses cannot be used, or an address in it.
    """
    from daemon.publishing.notify.delivery import open_deliveries
    from daemon.publishing.notify.receivers import read_receivers

    if config.notify is None:
        return {}
    names = [each.name for each in config.reservoirs]
    return open_deliveries(read_receivers(config.notify.urls_file, names))


def make_formatter(config: Config) -> Formatter:
    """Return what words the notifications."""
    from daemon.publishing.notify.formatter import Formatter

    minutes = config.notify.repeat_every_min if config.notify is not None else 0
    return Formatter(config.station.name, _zone(config), timedelta(minutes=minutes))


def _notify(config: Config, settings: Notify, reader: Reader) -> Sink:
    from daemon.publishing.notify.policy import NotificationPolicy
    from daemon.publishing.notify.publisher import NotifySink, QueueStart
    from daemon.publishing.notify.queue_file import queue_path

    formatter = make_formatter(config)
    policy = NotificationPolicy(
        formatter.repeat_every,
        settings.at_most_per_h,
        tuple(map(_time_of_day, settings.digest_at)),
        (_time_of_day(settings.quiet_from), _time_of_day(settings.quiet_until)),
        formatter.zone,
    )
    clock = station_clock(config)
    return NotifySink(
        make_deliveries(config),
        policy,
        formatter,
        [each.name for each in config.reservoirs],
        reader,
        QueueStart(
            queue_path(config.journal.path), lambda: _acknowledged(config, reader, "notify")
        ),
        wall=lambda: clock.now().wall,
    )


def _acknowledged(config: Config, reader: Reader, sink: str) -> int:
    with Cursors(cursors_path(config.journal.path)) as cursors:
        return cursors.of(cursor_key(reader, sink))


def _zone(config: Config) -> tzinfo:
    name = config.station.timezone
    # A machine without a list of time zones knows this one all the same.
    return UTC if name == "UTC" else ZoneInfo(name)


def _time_of_day(text: str) -> time:
    hour, _, minute = text.partition(":")
    return time(int(hour), int(minute))
