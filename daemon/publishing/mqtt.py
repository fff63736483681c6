"""Publishes to an MQTT 5 broker: what is live first, then entries as the journal has them.

An entry counts as delivered when the broker has acknowledged it.  Whether the
broker then keeps it through a power cut of its own is for the broker's
persistence to say (mosquitto: `autosave_interval` and `autosave_on_changes`).
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Iterable, Sequence

from daemon.config import Mqtt
from daemon.journal.reader import Stored
from daemon.journal.writer import JournalError
from daemon.publishing.connection import Broker, Connection
from daemon.publishing.live import Live, Source
from daemon.publishing.payloads import Message, availability, entry_message
from daemon.publishing.secret_files import read_secret
from daemon.publishing.sink import SinkError

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
    ) -> None:
        """Read the password; the broker is not asked yet.

        Args:
            settings: The section `[mqtt]`.
            station: Name of the station.
            source: Where the live picture comes from.
            clock: Monotonic seconds.

        Raises:
            SinkError: The password file cannot be used.
        """
        self._broker = Broker(
            host=settings.host,
            port=settings.port,
            client_id=settings.client_id or f"brinewright-{station}",
            keepalive_s=settings.keepalive_s,
            username=settings.username,
            password=read_secret(settings.password_file, "mqtt.password_file"),
        )
        self._station = station
        self._live = Live(station, source)
        self._clock = clock
        self._connection: Connection | None = None

    def deliver(self, entries: Sequence[Stored]) -> None:
        """Send what is live and due, then `entries`; see `Sink`.

        Raises:
            SinkError: Not everything was acknowledged.
            JournalError: The live picture cannot be read.
        """
        try:
            connection = self._connect()
            _tell(connection, self._live.due(self._clock()))
            _tell(connection, (entry_message(self._station, each) for each in entries))
        except (SinkError, JournalError):
            self._live.forget()
            raise

    def close(self) -> None:
        """Say that the station is offline; see `Sink`."""
        if self._connection is not None:
            self._connection.close(availability(self._station, online=False))
            self._connection = None

    def _connect(self) -> Connection:
        if self._connection is not None and self._connection.usable:
            self._connection.check()
            return self._connection
        self._connection = None
        offline = availability(self._station, online=False)
        connection = Connection(self._broker, will=offline)
        self._live.forget()
        try:
            _tell(connection, [availability(self._station, online=True)])
        except SinkError:
            connection.close(offline)
            raise
        log.info("publishing to %s", self._broker.where)
        self._connection = connection
        return connection


def _tell(connection: Connection, messages: Iterable[Message]) -> None:
    for message in messages:
        connection.send(message)
    connection.settle()
