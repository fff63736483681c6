"""Publishes to an MQTT broker: what is live first, and entries as the journal has them.

What was missed during an outage comes oldest first, no faster than is configured, and what is
live goes in between as soon as it is due.

An entry counts as delivered when the broker has acknowledged it.  A broker stores later what
it acknowledged (mosquitto: `autosave_interval`), so what is younger than `kept_after_s` comes
again after a lost connection; see `resume_point`.

Version 5 of the protocol is spoken, and 3.1.1 with a broker that refuses 5.
Such a broker acknowledges also what it forbids, so there a missing right goes unnoticed; nor
can it be given a limit on the size of messages, so there the limit is its own (mosquitto:
`message_size_limit`).
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence

from daemon.config import Mqtt
from daemon.journal.errors import JournalError
from daemon.journal.reader import Stored
from daemon.publishing.mqtt.broker_settings import broker_of
from daemon.publishing.mqtt.command_intake import CommandIntake
from daemon.publishing.mqtt.connection import MQTT_3_1_1, MQTT_5, BrokerConnection, connect
from daemon.publishing.mqtt.hub.hub_parts import HubParts
from daemon.publishing.mqtt.hub.left_behind import LeftBehind
from daemon.publishing.mqtt.hub.press_desk import PressDesk
from daemon.publishing.mqtt.incoming import IncomingMessage
from daemon.publishing.mqtt.retained import RetainedState, SnapshotSource
from daemon.publishing.rate_limit import RateLimit
from daemon.publishing.sink import SinkError
from daemon.publishing.topic_messages import Message, availability, entry_message

WARN_EVERY_S = 60.0

log = logging.getLogger("brinewright.publish")


class MqttSink:
    """A sink for one broker; connects when first needed, and again after a loss."""

    name = "mqtt"

    def __init__(
        self,
        settings: Mqtt,
        station: str,
        source: SnapshotSource,
        clock: Callable[[], float] = time.monotonic,
        commands: CommandIntake | PressDesk | None = None,
        reservoirs: Collection[str] | None = None,
        hubs: HubParts | None = None,
    ) -> None:
        """Read the secrets; nothing is connected yet.

        Args:
            settings: The section `[mqtt]`.
            station: Name of the station.
            source: Where live snapshots come from.
            clock: Monotonic seconds.
            commands: Takes commands that come over the broker; None to take none.
            reservoirs: Names of those that are configured; None for all that the journal knows.
            hubs: What is for home-automation hubs; None for nothing.

        Raises:
            SinkError: A file that the section names cannot be used.
        """
        hubs = hubs or HubParts()
        self._broker = broker_of(settings, station)
        self._version = MQTT_5
        self._station = station
        self._live = RetainedState(station, source, reservoirs, hubs.feed)
        self._clock = clock
        self._rate_limit = RateLimit(settings.backlog_per_s)
        self._commands = commands
        self._announcer, self._left = hubs.announcer, hubs.left
        self._fired = hubs.fired
        self._connection: BrokerConnection | None = None
        self._quiet_until_s = float("-inf")

    def deliver(self, entries: Sequence[Stored]) -> None:
        """Answer commands, send `entries`, and what is live between them; see `Sink`.

        Raises:
            SinkError: Not everything was acknowledged.
            JournalError: The live snapshots cannot be read.
        """
        try:
            connection = self._connect()
            self._exchange(connection)
            _send_all(connection, self._flow(entries))
            if self._fired is not None:
                self._fired.record_sent(entries)
        except (SinkError, JournalError):
            self._live.forget()
            raise

    def pressing(self) -> bool:
        """Return whether a command waits; see `Sink`."""
        return self._connection is not None and bool(self._connection.incoming)

    def close(self) -> None:
        """Publish that the station is offline; see `Sink`."""
        if self._connection is not None:
            self._connection.close(availability(self._station, online=False))
            self._connection = None
        if self._left is not None:
            self._left.close()

    def _flow(self, entries: Sequence[Stored]) -> Iterator[Message]:
        yield from self._live_now()
        for each in entries:
            self._rate_limit.wait()
            yield from self._live_now()
            yield entry_message(self._station, each)
            if self._fired is not None:
                yield from self._fired.of(each)

    def _live_now(self) -> list[Message]:
        messages = self._live.due(self._clock())
        self._remember(messages)
        return messages

    def _remember(self, messages: Sequence[Message]) -> None:
        if self._left is not None:
            self._left.remember(messages)

    def _connect(self) -> BrokerConnection:
        if self._connection is not None and self._connection.usable:
            self._connection.check()
            return self._connection
        self._connection = None
        offline = availability(self._station, online=False)
        connection, version = connect(self._broker, offline, self._version)
        self._live.forget()
        online = availability(self._station, online=True)
        try:
            if self._left is not None:
                self._left.connected(self._clock())
            self._remember([online])
            _send_all(connection, [online])
            self._subscribe(connection)
        except SinkError:
            connection.close(offline)
            raise
        old = " (it speaks MQTT 3.1.1 only)" if version == MQTT_3_1_1 else ""
        log.info("publishing to %s%s", self._broker.where, old)
        self._connection, self._version = connection, version
        return connection

    def _subscribe(self, connection: BrokerConnection) -> None:
        """Subscribe; what the broker does not allow is logged, and the rest goes on."""
        if self._announcer is not None:
            mark = "" if self._left is None else self._left.mark
            self._announcer.connected(self._clock(), mark)
        if isinstance(self._commands, PressDesk):
            self._commands.connected()
        for part in (self._commands, self._announcer, self._left):
            try:
                # A hub that starts may say so with the retain flag.
                connection.subscribe(
                    [] if part is None else part.filters, as_published=part is self._commands
                )
            except SinkError as exc:
                if not connection.usable:
                    raise
                log.warning("%s", exc)

    def _exchange(self, connection: BrokerConnection) -> None:
        """Take what came in, and reply; what the broker refuses of that holds nothing up."""
        incoming, dropped = connection.incoming.take()
        now_s = self._clock()
        replies: list[Message] = []
        if self._left is not None:
            self._withdraw(connection, self._left, incoming)
        if self._announcer is not None:
            for message in incoming:
                if self._announcer.concerns(message.topic):
                    self._announcer.receive(message, now_s)
            if self._left is None or self._left.settled:
                replies += self._announcer.due(now_s)
        if self._commands is not None:
            commands = [each for each in incoming if self._commands.concerns(each.topic)]
            replies += self._commands.take(commands, dropped, now_s)
            replies += self._commands.answers(now_s)
        self._remember(replies)
        try:
            _send_all(connection, replies)
        except SinkError as exc:
            if not connection.usable:
                raise
            self._warn(exc, now_s)

    def _withdraw(
        self, connection: BrokerConnection, left: LeftBehind, incoming: Sequence[IncomingMessage]
    ) -> None:
        """Withdraw what earlier runs left; what the broker refuses of that holds nothing up."""
        for message in incoming:
            left.receive(message)
        messages = left.due(self._clock())
        try:
            _send_all(connection, messages)
        except SinkError as exc:
            if not connection.usable:
                raise
            left.refused()
            log.warning("what was announced under a former name stays: %s", exc)
        else:
            left.record_sent(messages)

    def _warn(self, exc: SinkError, now_s: float) -> None:
        if now_s >= self._quiet_until_s:
            log.warning("%s", exc)
            self._quiet_until_s = now_s + WARN_EVERY_S


def _send_all(connection: BrokerConnection, messages: Iterable[Message]) -> None:
    for message in messages:
        connection.send(message)
    connection.settle()
