"""Publishes to an MQTT broker: what is live first, and entries as the journal has them.

What was missed during an outage comes oldest first, no faster than is set, and
what is live goes between it as soon as it is due.

An entry counts as delivered when the broker has acknowledged it.  A broker writes
down later what it acknowledged (mosquitto: `autosave_interval`), so what is younger
than `kept_after_s` comes again after a lost connection; see `trail`.

Version 5 of the protocol is spoken, and 3.1.1 with a broker that refuses 5.
Such a broker acknowledges also what it forbids, so there a missing right is
not told; nor can it be told how large a message we take, so there the bound is
its own (mosquitto: `message_size_limit`).
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence

from daemon.config import Mqtt
from daemon.journal.errors import JournalError
from daemon.journal.reader import Stored
from daemon.publishing.mqtt.announcer import Announcer
from daemon.publishing.mqtt.broker import broker_of
from daemon.publishing.mqtt.command_intake import Commands
from daemon.publishing.mqtt.connection import MQTT_3_1_1, MQTT_5, Connection, connect
from daemon.publishing.mqtt.retained import Live, Source
from daemon.publishing.rate_limit import Pace
from daemon.publishing.sink import SinkError
from daemon.publishing.topic_messages import Message, availability, entry_message

TELL_S = 60.0

log = logging.getLogger("brinewright.publish")


class MqttSink:
    """A sink for one broker; connects when first needed, and again after a loss."""

    name = "mqtt"

    def __init__(
        self,
        settings: Mqtt,
        station: str,
        source: Source,
        clock: Callable[[], float] = time.monotonic,
        commands: Commands | None = None,
        announcer: Announcer | None = None,
        reservoirs: Collection[str] | None = None,
    ) -> None:
        """Read the secrets; the broker is not asked yet.

        Args:
            settings: The section `[mqtt]`.
            station: Name of the station.
            source: Where the live picture comes from.
            clock: Monotonic seconds.
            commands: Takes what is asked over the broker; None for nothing.
            announcer: Tells home-automation hubs of the station; None for nobody.
            reservoirs: Names of those that are configured; None for all that the journal knows.

        Raises:
            SinkError: A file that the section names cannot be used.
        """
        self._broker = broker_of(settings, station)
        self._version = MQTT_5
        self._station = station
        self._live = Live(station, source, reservoirs)
        self._clock = clock
        self._pace = Pace(settings.backlog_per_s)
        self._commands = commands
        self._announcer = announcer
        self._connection: Connection | None = None
        self._quiet_until_s = float("-inf")

    def deliver(self, entries: Sequence[Stored]) -> None:
        """Answer what was asked, send `entries`, and what is live between them; see `Sink`.

        Raises:
            SinkError: Not everything was acknowledged.
            JournalError: The live picture cannot be read.
        """
        try:
            connection = self._connect()
            self._converse(connection)
            _tell(connection, self._flow(entries))
        except (SinkError, JournalError):
            self._live.forget()
            raise

    def pressing(self) -> bool:
        """Return whether a command waits; see `Sink`."""
        return self._connection is not None and bool(self._connection.letters)

    def close(self) -> None:
        """Say that the station is offline; see `Sink`."""
        if self._connection is not None:
            self._connection.close(availability(self._station, online=False))
            self._connection = None

    def _flow(self, entries: Sequence[Stored]) -> Iterator[Message]:
        yield from self._live.due(self._clock())
        for each in entries:
            self._pace.wait()
            yield from self._live.due(self._clock())
            yield entry_message(self._station, each)

    def _connect(self) -> Connection:
        if self._connection is not None and self._connection.usable:
            self._connection.check()
            return self._connection
        self._connection = None
        offline = availability(self._station, online=False)
        connection, version = connect(self._broker, offline, self._version)
        self._live.forget()
        try:
            _tell(connection, [availability(self._station, online=True)])
            self._open_ears(connection)
        except SinkError:
            connection.close(offline)
            raise
        old = " (it speaks MQTT 3.1.1 only)" if version == MQTT_3_1_1 else ""
        log.info("publishing to %s%s", self._broker.where, old)
        self._connection, self._version = connection, version
        return connection

    def _open_ears(self, connection: Connection) -> None:
        """Subscribe; what the broker does not let us read is said, and the rest goes on."""
        if self._announcer is not None:
            self._announcer.connected(self._clock())
        for part in (self._commands, self._announcer):
            try:
                # A hub that comes up may say so with the retain flag.
                connection.subscribe(
                    [] if part is None else part.filters, as_published=part is self._commands
                )
            except SinkError as exc:
                if not connection.usable:
                    raise
                log.warning("%s", exc)

    def _converse(self, connection: Connection) -> None:
        """Take in what came; a reply or announcement that is refused holds nothing up."""
        letters, dropped = connection.letters.take()
        now_s = self._clock()
        said: list[Message] = []
        if self._announcer is not None:
            for letter in letters:
                if self._announcer.is_one(letter.topic):
                    self._announcer.hear(letter, now_s)
            said += self._announcer.due(now_s)
        if self._commands is not None:
            asked = [each for each in letters if self._commands.is_one(each.topic)]
            said += self._commands.take(asked, dropped, now_s)
            said += self._commands.answers(now_s)
        try:
            _tell(connection, said)
        except SinkError as exc:
            if not connection.usable:
                raise
            self._warn(exc, now_s)

    def _warn(self, exc: SinkError, now_s: float) -> None:
        if now_s >= self._quiet_until_s:
            log.warning("%s", exc)
            self._quiet_until_s = now_s + TELL_S


def _tell(connection: Connection, messages: Iterable[Message]) -> None:
    for message in messages:
        connection.send(message)
    connection.settle()
