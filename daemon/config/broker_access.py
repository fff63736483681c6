"""How a section names an MQTT broker and an account there; the same for every section that does."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any

from pydantic import AfterValidator, Field, ValidationInfo

from daemon.config.fields import FilePath, SecretPath, Section, text, whole
from daemon.config.rules import Table

_LAST_PORT = 65_535
_PLAIN_PORT, _TLS_PORT = 1883, 8883


def _with_tls(value: Path, info: ValidationInfo) -> Path:
    if info.data.get("tls") is False:
        raise ValueError("it needs tls = true beside it")
    return value


def _with_cert(value: Path, info: ValidationInfo) -> Path:
    if info.data.get("cert_file", value) is None:
        raise ValueError("it needs a cert_file beside it")
    return value


def _usual_port(given: dict[str, Any]) -> int:
    return _TLS_PORT if given.get("tls") else _PLAIN_PORT


class BrokerAccess(Section):
    """A broker, and our account there.

    Attributes:
        host: Name or address of the broker; with TLS, as its certificate has it.
        tls: Whether to speak TLS.
        port: TCP port; 8883 with TLS and 1883 without, unless given.
        ca_file: Who signed the broker's certificate; None for whom the system trusts.
        cert_file: Certificate to show to the broker; None for none.
        key_file: Its key; None where `cert_file` holds both.
        username: Who we are; None for a broker that does not ask.
        password_file: File that holds the password alone.
        keepalive_s: Longest silence between us and the broker, seconds.
        client_id: None to have one made.
    """

    host: str = text("the name or address of a broker", longest=253)
    tls: bool = Field(default=False, description="true or false")
    port: int = Field(
        default_factory=_usual_port,
        ge=1,
        le=_LAST_PORT,
        description=f"a whole number from 1 to {_LAST_PORT} (a TCP port)",
    )
    ca_file: Annotated[FilePath, AfterValidator(_with_tls)] | None = Field(
        None, description="the path of a PEM file of who signed the broker's certificate"
    )
    cert_file: Annotated[SecretPath, AfterValidator(_with_tls)] | None = Field(
        None, description="the path of a PEM file with the certificate to show to the broker"
    )
    key_file: Annotated[SecretPath, AfterValidator(_with_cert)] | None = Field(
        None, description="the path of a PEM file with the key of cert_file"
    )
    username: str | None = text("a user name of 1 to 200 characters", None)
    password_file: SecretPath | None = Field(
        None, description="the path of a file that holds the password alone"
    )
    keepalive_s: int = whole(5, 3600, "seconds", 30)
    client_id: str | None = text("1 to 64 characters", None, 64)


def access_crossings(table: Table) -> Iterator[tuple[str, str]]:
    """Yield a password without the name that it belongs to."""
    if "password_file" in table and "username" not in table:
        yield "password_file", "needs a username beside it"
