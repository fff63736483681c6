"""The address of an MQTT broker, our account there, and its refusals as sentences."""

from __future__ import annotations

import socket
import ssl
from dataclasses import dataclass, field
from pathlib import Path

from daemon.config.broker_access import BrokerAccess
from daemon.secret_files import SecretError, check_private, read_secret

CLIENT_ID_NOT_VALID = 0x85
BAD_ACCOUNT = 0x86
NOT_AUTHORISED = 0x87


@dataclass(frozen=True, slots=True)
class Broker:
    """A broker's address and our account there.

    Attributes:
        host: Name or address.
        port: TCP port.
        client_id: By which the broker distinguishes clients.
        keepalive_s: Longest silence, s.
        username: The account; None for none.
        password: Its password; None for none.
        tls: How to speak TLS; None for plain TCP.
        section: What stands before the keys of its section in sentences.
    """

    host: str
    port: int
    client_id: str
    keepalive_s: int
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    tls: ssl.SSLContext | None = None
    section: str = "mqtt."

    @property
    def where(self) -> str:
        """The broker, as the subject of a sentence."""
        return f"broker {self.host}:{self.port}"

    @property
    def account(self) -> str:
        """Our account there, as the object of a sentence."""
        return f"the account {self.username!r}" if self.username else "clients without an account"

    def key(self, name: str) -> str:
        """Return a key of the section, as sentences name it."""
        return f"{self.section}{name}"


def of_settings(settings: BrokerAccess, client_id: str, section: str = "") -> Broker:
    """Return what a section says, with the secrets read.

    Args:
        settings: The section.
        client_id: By which the broker is to distinguish us; empty to have it choose.
        section: What stands before the section's keys in sentences, such as "mqtt.".

    Raises:
        SecretError: A file that it names cannot be used.
    """
    return Broker(
        host=settings.host,
        port=settings.port,
        client_id=client_id,
        keepalive_s=settings.keepalive_s,
        username=settings.username,
        password=read_secret(settings.password_file, f"{section}password_file"),
        tls=_tls(settings, section) if settings.tls else None,
        section=section,
    )


def unreachable(broker: Broker, exc: OSError) -> str:
    """Return why the broker cannot be reached."""
    host, port = broker.key("host"), broker.key("port")
    address = f"{host} and {port}"
    if isinstance(exc, ConnectionRefusedError):
        return f"no {broker.where}: nobody listens there; start it, or check {address}"
    if isinstance(exc, socket.gaierror):
        return f"{broker.where}: there is no machine of that name; check {host} and the network"
    if isinstance(exc, ssl.SSLCertVerificationError):
        return (
            f"{broker.where}: its certificate is not to be trusted ({exc.verify_message});"
            f" check {broker.key('ca_file')}, and that {host} is the name that the certificate has"
        )
    why = exc.strerror or str(exc) or type(exc).__name__
    if isinstance(exc, ssl.SSLError) or (broker.tls and isinstance(exc, ConnectionResetError)):
        return (
            f"{broker.where} does not speak TLS with us: {why};"
            f" check {port}, which for TLS is usually 8883"
        )
    return f"{broker.where} cannot be reached: {why}; check the network, {address}"


def connect_refused(broker: Broker, code: int, reason: str) -> str:
    """Return why the broker refused the request to connect."""
    if code in (BAD_ACCOUNT, NOT_AUTHORISED):
        account = f"{broker.key('username')} and {broker.key('password_file')}"
        if broker.username is None:
            return f"{broker.where} requires an account: set {account}"
        return f"{broker.where} refused the account {broker.username!r}: check {account}"
    if code == CLIENT_ID_NOT_VALID:
        name = broker.key("client_id")
        return f"{broker.where} refused the client id {broker.client_id!r}: set {name}"
    return f"{broker.where} refused the connection: {reason}"


def connect_aborted(broker: Broker, reason: str) -> str:
    """Return that the connection ended before the broker answered the request to connect."""
    hint = f"does it speak TLS on that port ({broker.key('tls')}, {broker.key('port')})?"
    if broker.tls is not None:
        keys = f"{broker.key('cert_file')}, {broker.key('key_file')}"
        hint = f"does it require a certificate of ours ({keys})?"
    return f"{broker.where} closed the connection before it was open: {reason}; {hint}"


def connection_lost(broker: Broker, reason: str) -> str:
    """Return that an open connection ended."""
    lost = f"{broker.where}: the connection was lost ({reason})"
    if not broker.client_id:
        return f"{lost}; if that repeats, check the network and the broker's log"
    # Some brokers do not say that they gave the connection to a namesake; they only close it.
    return (
        f"{lost}; if that repeats, check that no"
        f" other client has the id {broker.client_id!r} ({broker.key('client_id')})"
    )


class _TlsSocket(ssl.SSLSocket):
    """A socket that closes itself when the handshake fails."""

    def do_handshake(self, block: bool = False) -> None:  # noqa: FBT001, FBT002 - as inherited
        """Shake hands, or close: the client library would leave the socket open."""
        try:
            super().do_handshake(block)
        except OSError:
            self.close()
            raise


def _tls(settings: BrokerAccess, section: str) -> ssl.SSLContext:
    """Return the trust that the section configures: TLS 1.2 or newer, the name always checked."""
    try:
        context = ssl.create_default_context(cafile=settings.ca_file)
    except (OSError, ValueError) as exc:
        raise SecretError(_unusable(f"{section}ca_file", settings.ca_file, exc)) from exc
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    context.sslsocket_class = _TlsSocket
    # Python 3.13 began to refuse authorities of one's own whose certificates lack an extension.
    # Who signed, for which name and until when is checked with and without.
    context.verify_flags &= ~ssl.VERIFY_X509_STRICT
    if settings.cert_file is not None:
        secret = settings.key_file or settings.cert_file
        key = f"{section}key_file" if settings.key_file else f"{section}cert_file"
        check_private(secret, key)
        try:
            context.load_cert_chain(settings.cert_file, settings.key_file, password=_no_passphrase)
        except (OSError, ValueError) as exc:
            raise SecretError(_unusable(f"{section}cert_file", settings.cert_file, exc)) from exc
    return context


def _no_passphrase() -> str:
    raise ValueError(
        "its key is locked with a passphrase; remove the passphrase, for nobody types it here"
    )


def _unusable(key: str, path: Path | None, exc: Exception) -> str:
    if isinstance(exc, ssl.SSLError):
        why = f"it is not what it should be, PEM ({exc.reason or exc})"
    else:
        why = getattr(exc, "strerror", None) or str(exc)
    return f"{key}: {path} cannot be used: {why}"
