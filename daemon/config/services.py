"""The sections of what the service writes to and speaks with: journal, broker, database, page."""

from __future__ import annotations

import difflib
import re
from typing import Annotated

from pydantic import AfterValidator, Field

from daemon.config.broker_access import BrokerAccess
from daemon.config.fields import FilePath, SecretPath, Section, number, text, whole
from daemon.config.page_access import header_name, host_of, proxy_networks
from daemon.config.places import SERVICE_JOURNAL

_LAST_PORT = 65_535
_HOST_NAME = re.compile(r"[A-Za-z0-9]([A-Za-z0-9.-]{0,251}[A-Za-z0-9])?")

COMMANDS = (
    "batch.start",
    "batch.confirm",
    "batch.reading",
    "batch.note",
    "batch.use",
    "batch.discard",
    "batch.answer",
    "lot.add",
    "lot.adjust",
    "calibrate.start",
    "calibrate.check",
    "calibrate.confirm",
    "calibrate.next",
    "calibrate.retry",
    "calibrate.abort",
    "calibrate.revert",
    "calibrate.settle",
    "alarm.acknowledge",
    "alarm.shelve",
    "alarm.unshelve",
    "alarm.remove-from-service",
    "alarm.return-to-service",
)
"""What may be asked of the station; here too, so that publishing needs no physics to know it."""


def _host_and_port(value: str) -> str:
    host, colon, port = value.rpartition(":")
    if not (
        colon and host and port.isascii() and port.isdigit() and 0 < int(port[:9]) <= _LAST_PORT
    ):
        msg = "it is not host:port"
        raise ValueError(msg)
    return value


def _host_names(value: tuple[str, ...]) -> tuple[str, ...]:
    for each in value:
        if not _HOST_NAME.fullmatch(each):
            raise ValueError(f"{each[:60]!r} is no name of a machine; leave out port and http://")
    return tuple(each.lower() for each in value)


def _web_address(value: str) -> str:
    if not value.startswith(("http://", "https://")) or not value.split("/")[2]:
        msg = "it does not begin with http:// or https:// and a host"
        raise ValueError(msg)
    if "@" in value.split("/")[2]:
        msg = "it holds an account, and secrets stand in files of their own"
        raise ValueError(msg)
    return value


def _topic_part(value: str) -> str:
    if set(value) & set("+#\0") or value.startswith(("/", "$")) or value.endswith("/"):
        msg = "it holds + or #, or begins or ends where a topic may not"
        raise ValueError(msg)
    return value


def _known_commands(value: tuple[str, ...]) -> tuple[str, ...]:
    for verb in value:
        if verb in COMMANDS:
            continue
        close = difflib.get_close_matches(verb[:60], COMMANDS, n=1, cutoff=0.5)
        near = f"the nearest is {close[0]!r}" if close else f"known are {', '.join(COMMANDS)}"
        raise ValueError(f"there is no command {verb[:60]!r}, {near}")
    return value


class Journal(Section):
    """`[journal]`: where everything that happens is written first.

    Attributes:
        path: The database file; by default the service's, or the user's own where that may not
            be written (`daemon.config.places`).
        flush_interval_s: Readings are forced to the card this often, seconds;
            a power cut loses at most that much.
        keep_readings_days: Readings older than this become minute summaries, days.
        largest_mb: The file is kept below it, megabytes, by doing that earlier.
    """

    path: FilePath = Field(SERVICE_JOURNAL, description="the path of a file")
    flush_interval_s: float = number(0.1, 3600, "seconds", 5.0)
    keep_readings_days: float = number(1, 36_500, "days", 90.0)
    largest_mb: float = number(20, 1_000_000, "megabytes", 2000.0)


class Mqtt(BrokerAccess):
    """`[mqtt]`: the broker to publish to; without the section, none.

    Attributes:
        backlog_per_s: Most entries a second, when an outage is made up.
        kept_after_s: How long after acknowledging the broker has surely written down; what
            is younger comes again after a lost connection.
        discovery: Whether the station is announced to home-automation hubs.
        discovery_prefix: Where home-automation hubs look for announcements.
        commands: What may be asked of the station over this broker; nothing unless given.
    """

    backlog_per_s: int = whole(10, 100_000, "entries a second", 10_000)
    kept_after_s: int = whole(0, 3600, "seconds", 20)
    discovery: bool = Field(default=True, description="true or false")
    discovery_prefix: Annotated[str, AfterValidator(_topic_part)] = text(
        "the beginning of a topic, such as 'homeassistant'", "homeassistant"
    )
    commands: Annotated[tuple[str, ...], AfterValidator(_known_commands)] = Field(
        (), strict=False, description="a list of commands such as ['batch.confirm', 'batch.use']"
    )


class Influx(Section):
    """`[influx]`: a time-series database that takes InfluxDB's v2 writes; without it, none.

    Attributes:
        url: Address of the server.
        org: Organisation.
        bucket: Bucket; it must be there.
        token_file: File that holds the token alone.
        ca_file: Who signed the server's certificate; None for whom the system trusts.
        timeout_s: Longest wait for an answer, seconds.
        kept_after_s: So long after the server acknowledged it has surely written down,
            seconds; after a fault what is younger comes again, which overwrites itself.
    """

    url: Annotated[str, AfterValidator(_web_address)] = text(
        "an address such as 'http://127.0.0.1:8086'"
    )
    org: str = text("the name of an organisation")
    bucket: str = text("the name of a bucket")
    token_file: SecretPath = Field(description="the path of a file that holds the token alone")
    ca_file: FilePath | None = Field(
        None, description="the path of a PEM file of who signed the server's certificate"
    )
    timeout_s: float = number(1, 300, "seconds", 10.0)
    kept_after_s: float = number(0, 3600, "seconds", 15.0)


class Page(Section):
    """`[page]`: the status page; on without the section too.

    Attributes:
        enabled: Whether it is served.
        listen: Address and port, `host:port`; loopback unless given.
        names: Names that the machine is called by in a browser, besides `localhost` and
            its addresses, which always do.
        commands: What may be asked of the station over it; nothing unless given.
        token_file: File that holds the token alone with which a browser signs in, and which a
            tool sends as `Authorization: Bearer`.
        session_days: So long a browser stays signed in, days.
        login_header: Header in which a proxy passes on who logged in there.
        trusted_proxies: Addresses and networks of the proxies whose headers count.
        public_url: Where others reach it, for who is to be led there; None where nobody is.
    """

    enabled: bool = Field(default=True, description="true or false")
    listen: Annotated[str, AfterValidator(_host_and_port)] = text(
        "host:port such as '127.0.0.1:8407'", "127.0.0.1:8407"
    )
    names: Annotated[tuple[str, ...], AfterValidator(_host_names)] = Field(
        (), strict=False, description="a list of names of this machine such as ['mixing.lan']"
    )
    commands: Annotated[tuple[str, ...], AfterValidator(_known_commands)] = Field(
        (), strict=False, description="a list of commands such as ['batch.confirm', 'batch.use']"
    )
    token_file: SecretPath | None = Field(
        None, description="the path of a file that holds the token alone"
    )
    session_days: float = number(0.01, 366, "days", 30.0)
    login_header: Annotated[str, AfterValidator(header_name)] | None = text(
        "the name of a header such as 'X-Remote-User'", None, 60
    )
    trusted_proxies: Annotated[tuple[str, ...], AfterValidator(proxy_networks)] = Field(
        (), strict=False, description="a list of addresses and networks such as ['127.0.0.1']"
    )
    public_url: Annotated[str, AfterValidator(_web_address)] | None = text(
        "an address such as 'http://mixing.lan:8407'", None
    )

    @property
    def host(self) -> str:
        """The address to listen on, without the brackets of IPv6."""
        return host_of(self.listen)

    @property
    def port(self) -> int:
        """The TCP port to listen on."""
        return int(self.listen.rpartition(":")[2])
