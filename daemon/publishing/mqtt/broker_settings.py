"""The broker that the section `[mqtt]` names, for the sink that publishes there."""

from __future__ import annotations

from daemon import broker
from daemon.broker import Broker
from daemon.config import Mqtt
from daemon.publishing.sink import SinkError
from daemon.secret_files import SecretError


def broker_of(settings: Mqtt, station: str) -> Broker:
    """Return what the section `[mqtt]` says, with the secrets read.

    Raises:
        SinkError: A file that it names cannot be used.
    """
    client_id = settings.client_id or f"brinewright-{station}"
    try:
        return broker.of_settings(settings, client_id, "mqtt.")
    except SecretError as exc:
        raise SinkError(str(exc)) from exc
