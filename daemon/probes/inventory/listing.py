"""Everything that is connected, in one list: what it is, who uses it, what is in the way."""

from __future__ import annotations

import os
import socket
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path

from daemon.config import Config, Source
from daemon.config.broker_access import BrokerAccess
from daemon.config.devices import device_at
from daemon.probes.inventory.access import Account, service_account, this_account
from daemon.probes.inventory.connection import Connection, Places, Way
from daemon.probes.inventory.holders import holders
from daemon.probes.inventory.sensor_buses import (
    gpio_chips,
    i2c_buses,
    iio_devices,
    onewire_devices,
)
from daemon.probes.inventory.serial_ports import serial_ports
from daemon.probes.registry import MODULES

ANSWER_S = 2.0
"""How long a broker may take to accept a connection; our own choice."""
ADVICE = {
    Way.SERIAL: (
        "Serial port: plug in the USB adapter of the instrument (RS-232, RS-485, SDI-12), or switch"
        " on the port of the board (raspi-config: Interface Options, Serial Port, no login shell)."
    ),
    Way.I2C: "I2C bus: switch it on (raspi-config: Interface Options, I2C).",
    Way.IIO: "Industrial I/O: load the sensor's driver by its dtoverlay line in config.txt.",
    Way.ONEWIRE: (
        "1-Wire: add dtoverlay=w1-gpio to config.txt (raspi-config: Interface Options, 1-Wire),"
        " restart, and wire the thermometer with its pull-up resistor."
    ),
    Way.GPIO: "GPIO: a board with pins has them; this machine shows none.",
    Way.MQTT: "MQTT: name a broker in the [mqtt] section, if a node publishes readings.",
}
"""What to do where a way to an instrument is not there at all."""


def plug_in_advice(found: list[Connection]) -> dict[Way, str]:
    """Return what to plug in or switch on for each way that is not there."""
    there = {each.way for each in found}
    return {way: sentence for way, sentence in ADVICE.items() if way not in there}


def connections(
    config: Config | None = None,
    places: Places | None = None,
    accounts: list[Account] | None = None,
) -> list[Connection]:
    """Return all ways to an instrument that this machine has.

    Args:
        config: Of the station, which names some of them; None without one.
        places: Where to look; None for this machine's own.
        accounts: Who must be able to use them; None for who asks and for the service.
    """
    places = places or Places()
    if accounts is None:
        service = service_account(places)
        accounts = [this_account(), *([] if service is None else [service])]
    open_by = holders(places.proc, os.getpid())
    sections = dict(_sections(config)) if config is not None else {}
    found = [
        *serial_ports(places, accounts),
        *i2c_buses(places, accounts),
        *iio_devices(places),
        *onewire_devices(places),
        *gpio_chips(places, accounts),
    ]
    listed = [
        replace(
            each,
            drivers=tuple(name for name in each.drivers if name in MODULES),
            held_by=open_by.get(os.path.realpath(each.name), ()),
            used_by=tuple(words for words, one in sections.items() if _names(one, each)),
        )
        for each in found
    ]
    return [*listed, *_brokers(config, sections)]


def _sections(config: Config) -> Iterator[tuple[str, Source]]:
    """Yield each probe and input of the configuration with what it is called."""
    for reservoir in config.reservoirs:
        for probe in reservoir.probes:
            yield f"probe {probe.name} of reservoir {reservoir.name}", probe
    for each in config.inputs:
        yield f"input {each.name}", each


def _names(section: Source, connection: Connection) -> bool:
    """Say whether a section names a connection, by whichever of its names."""
    if section.driver not in connection.drivers:
        return False
    known = {connection.name, *connection.others}
    devices = {device_at(each) for each in known if each.startswith("/")}
    return any(
        text in known or (text.startswith("/") and device_at(text) in devices)
        for text in _texts(section)
    )


def _texts(section: Source) -> Iterator[str]:
    """Yield every text of a section, and the place that it occupies."""
    table = section.model_dump()
    for value in table.values():
        parts = value.values() if isinstance(value, Mapping) else [value]
        yield from (str(part) for part in parts if isinstance(part, str | Path))
    used = type(section).occupies(table)
    if used is not None:
        yield used.path


def _brokers(config: Config | None, sections: Mapping[str, Source]) -> Iterator[Connection]:
    """Yield each broker of the configuration, and whether it accepts a connection."""
    if config is None:
        return
    readers: dict[tuple[str, int], list[str]] = {}
    if config.mqtt is not None:
        readers[config.mqtt.host, config.mqtt.port] = []
    for words, section in sections.items():
        access = _access(section)
        if access is not None:
            readers.setdefault((access.host, access.port), []).append(words)
    for (host, port), names in readers.items():
        is_own = config.mqtt is not None and (host, port) == (config.mqtt.host, config.mqtt.port)
        yield Connection(
            Way.MQTT,
            f"{host}:{port}",
            describes="the broker of the [mqtt] section" if is_own else "a broker of sections",
            drivers=("mqtt_in",),
            used_by=tuple(names),
            faults=_broker_faults(host, port),
        )


def _access(section: object) -> BrokerAccess | None:
    """Return how a section reaches a broker of its own; None for one that reaches none."""
    return section if isinstance(section, BrokerAccess) else None


def _broker_faults(host: str, port: int) -> tuple[str, ...]:
    try:
        socket.create_connection((host, port), ANSWER_S).close()
    except OSError as exc:
        why = exc.strerror or str(exc) or type(exc).__name__
        return (f"{host}:{port} accepts no connection ({why}): is the broker running?",)
    return ()
