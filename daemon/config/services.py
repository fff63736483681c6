"""The sections of what the service writes to and speaks with: journal, broker, database, page."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from pydantic import AfterValidator, Field

from daemon.config.fields import FilePath, Section, number, text, whole

_LAST_PORT = 65_535


def _host_and_port(value: str) -> str:
    host, colon, port = value.rpartition(":")
    if not (
        colon and host and port.isascii() and port.isdigit() and 0 < int(port[:9]) <= _LAST_PORT
    ):
        msg = "it is not host:port"
        raise ValueError(msg)
    return value


def _web_address(value: str) -> str:
    if not value.startswith(("http://", "https://")) or value.endswith("://"):
        msg = "it does not begin with http:// or https:// and a host"
        raise ValueError(msg)
    return value


def _topic_part(value: str) -> str:
    if set(value) & set("+#\0") or value.startswith(("/", "$")) or value.endswith("/"):
        msg = "it holds + or #, or begins or ends where a topic may not"
        raise ValueError(msg)
    return value


class Journal(Section):
    """`[journal]`: where everything that happens is written first.

    Attributes:
        path: The database file.
        flush_interval_s: Readings are forced to the card this often, seconds;
            a power cut loses at most that much.
    """

    path: FilePath = Field(
        Path("/var/lib/brinewright/journal.db"), description="the path of a file"
    )
    flush_interval_s: float = number(0.1, 3600, "seconds", 5.0)


class Mqtt(Section):
    """`[mqtt]`: the broker to publish to; without the section, none.

    Attributes:
        host: Name or address of the broker.
        port: TCP port.
        username: Who we are; None for a broker that does not ask.
        password_file: File that holds the password alone.
        keepalive_s: Longest silence between us and the broker, seconds.
        client_id: None to make one from the station's name.
        discovery_prefix: Where home-automation hubs look for announcements.
    """

    host: str = text("the name or address of a broker", longest=253)
    port: int = whole(1, _LAST_PORT, "(a TCP port)", 1883)
    username: str | None = text("a user name of 1 to 200 characters", None)
    password_file: FilePath | None = Field(
        None, description="the path of a file that holds the password alone"
    )
    keepalive_s: int = whole(5, 3600, "seconds", 30)
    client_id: str | None = text("1 to 64 characters", None, 64)
    discovery_prefix: Annotated[str, AfterValidator(_topic_part)] = text(
        "the beginning of a topic, such as 'homeassistant'", "homeassistant"
    )


class Influx(Section):
    """`[influx]`: a time-series database to write to.

    Read and checked so that a file may already hold it; nothing writes there yet.

    Attributes:
        url: Address of the server.
        org: Organisation.
        bucket: Bucket.
        token_file: File that holds the token alone.
    """

    url: Annotated[str, AfterValidator(_web_address)] = text(
        "an address such as 'http://127.0.0.1:8086'"
    )
    org: str = text("the name of an organisation")
    bucket: str = text("the name of a bucket")
    token_file: FilePath = Field(description="the path of a file that holds the token alone")


class Page(Section):
    """`[page]`: the status page.

    Read and checked so that a file may already hold it; nothing serves it yet.

    Attributes:
        listen: Address and port, `host:port`; loopback unless told otherwise.
    """

    listen: Annotated[str, AfterValidator(_host_and_port)] = text(
        "host:port such as '127.0.0.1:8407'", "127.0.0.1:8407"
    )

    @property
    def host(self) -> str:
        """The address to listen on, without the brackets of IPv6."""
        return self.listen.rpartition(":")[0].strip("[]")

    @property
    def port(self) -> int:
        """The TCP port to listen on."""
        return int(self.listen.rpartition(":")[2])
