"""One connection to a database that takes InfluxDB's v2 writes, and what its answers mean.

Each answer becomes one of three things: accepted; refused for its content; or a fault, a
`SinkError` with a sentence for the person who can mend it.  The token never appears in them.

Nothing is retried here, nothing is queued, and there is no thread: the journal is the
queue, and the thread that follows it tries again.

Source: InfluxDB OSS v2 API, POST /api/v2/write: 204 all written; 400 malformed, or some
points rejected, and 422 points beyond the retention period (what was not rejected is
written); 401 token; 404 bucket or organisation; 413 too large; 429 and 503 with
Retry-After.
"""

from __future__ import annotations

import gzip
import json
import logging
import re
import ssl
from dataclasses import dataclass
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

import urllib3

from daemon.errors import BrinewrightError
from daemon.publishing.influx.client import (
    ApiClient,
    ApiException,
    Configuration,
    PingService,
    WriteService,
)
from daemon.publishing.sink import SinkError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from urllib3.connection import HTTPConnection

    from daemon.config import Influx

TAKEN = 204
BAD_REQUEST, UNAUTHORISED, FORBIDDEN, NOT_FOUND = 400, 401, 403, 404
TOO_LARGE, UNPROCESSABLE, TOO_MANY, SERVER_FAULT = 413, 422, 429, 500
LONGEST_ANSWER = 200
LONGEST_WAIT_S = 3600.0

# We log when a connection ends; the library's own warnings would repeat that.
logging.getLogger("urllib3").setLevel(logging.ERROR)


class RefusedError(BrinewrightError):
    """The server refuses the content of the lines, or their number; it accepted what it could.

    Attributes:
        lasting: Whether it would refuse one such line in any case: one that is
            older than what it keeps, or longer than all that it takes.
        dropped: How many lines it left out, where it says so; None where it does not.
    """

    def __init__(self, why: str, *, lasting: bool) -> None:
        """Store the answer of the server."""
        super().__init__(why)
        self.lasting = lasting
        match = re.search(r"\bdropped=(\d{1,9})\b", why)
        self.dropped = int(match[1]) if match else None


@dataclass(slots=True)
class ConnectionMonitor:
    """Notices that a lasting connection was replaced, which its pool does without a word."""

    _made: int = 0
    _made_before: int = 0
    _stays_open: bool = False
    _renewed: bool = False

    def counted(self, kind: type[HTTPConnection]) -> type[HTTPConnection]:
        """Return the same kind of connection, which counts how often it is made."""
        monitor = self

        class Counted(kind):  # type: ignore[misc, valid-type]
            """Counts how often it is made."""

            def connect(self) -> None:
                """Connect."""
                super().connect()
                monitor._made += 1

        return Counted

    def answered(self) -> None:
        """Record an answer: was it on the connection of the one before?"""
        if self._made == self._made_before:
            self._stays_open = True
        elif self._stays_open:
            self._renewed = True
        self._made_before = self._made

    def renewed(self) -> bool:
        """Return whether it was replaced since the last call."""
        renewed, self._renewed = self._renewed, False
        return renewed


class Database:
    """A client of one server; used from one thread."""

    def __init__(self, settings: Influx, token: str) -> None:
        """Prepare a client; nothing is sent yet.

        Raises:
            SinkError: The certificates cannot be used.
        """
        self._settings = settings
        self._token = token
        self.where = f"the database at {_bare(settings.url)}"
        # Nor are redirections followed: they would carry the token elsewhere.
        self._client = ApiClient(
            _configuration(settings), "Authorization", f"Token {token}", retries=False
        )
        self._monitor = ConnectionMonitor()
        pool = self._client.rest_client.pool_manager.connection_from_url(settings.url)
        pool.ConnectionCls = self._monitor.counted(pool.ConnectionCls)

    def write(self, lines: Sequence[str]) -> None:
        """Write lines; return once the server has accepted all of them.

        Raises:
            RefusedError: Some are not accepted, or not as many at once.
            SinkError: Perhaps none was accepted.
        """
        service = WriteService(self._client)
        status = self._ask(
            lambda: service.post_write_with_http_info(
                org=self._settings.org,
                bucket=self._settings.bucket,
                body=gzip.compress("\n".join(lines).encode()),
                content_encoding="gzip",
                precision="ns",
                _return_http_data_only=False,
            )
        )
        if status != TAKEN:
            raise SinkError(f"{self.where} answers {status}, as no such database does; {CHECK_URL}")

    def ping(self) -> None:
        """Return if the server answers, whatever the status: only writes need authorisation.

        Raises:
            SinkError: It does not, or has a fault.
        """
        service = PingService(self._client)

        def send_ping() -> tuple[object, int, object]:
            try:
                service.get_ping_with_http_info(_return_http_data_only=False)
            except ApiException as exc:
                if not 0 < (exc.status or 0) < SERVER_FAULT:
                    raise
            return None, TAKEN, None

        self._ask(send_ping)

    def renewed(self) -> bool:
        """Return whether the connection was replaced since the last call.

        The client does that alone when the old one is closed, as it is after the server was
        started again.  With a server that closes after each answer it cannot be known.
        """
        return self._monitor.renewed()

    def close(self) -> None:
        """Close the connection."""
        self._client.rest_client.pool_manager.clear()

    def _ask(self, request: Callable[[], tuple[object, int, object]]) -> int:
        try:
            _, status, _ = request()
        except ApiException as exc:
            if exc.status:
                raise self._meaning(exc) from exc
            raise SinkError(self._plain(self._no_tls(str(exc.reason)))) from exc
        except (urllib3.exceptions.HTTPError, OSError) as exc:
            raise SinkError(self._plain(self._unreachable(exc))) from exc
        except UnicodeError as exc:
            raise SinkError(f"{self.where} answers what no database does; {CHECK_URL}") from exc
        self._monitor.answered()
        return status

    def _meaning(self, exc: ApiException) -> Exception:
        code, message = _answer(exc)
        message = self._plain(message)[:LONGEST_ANSWER]
        status = int(exc.status)
        if status == TOO_LARGE:
            return RefusedError("it is too large", lasting=True)
        if status in (BAD_REQUEST, UNPROCESSABLE):
            return RefusedError(message, lasting="retention" in message.lower())
        return SinkError(self._sentence(status, code, message), _wait_s(exc))

    def _sentence(self, status: int, code: str, message: str) -> str:
        settings = self._settings
        if status in (UNAUTHORISED, FORBIDDEN):
            return (
                f"{self.where} refuses the token ({status}): put one that may write to the bucket"
                f" {settings.bucket!r} into {settings.token_file} (influx.token_file)"
            )
        if status == NOT_FOUND and code == "not found":
            return (
                f"{self.where} has no bucket {settings.bucket!r} in the organisation"
                f" {settings.org!r} ({message}): create it, or check influx.bucket and influx.org"
            )
        if status == NOT_FOUND:
            return f"{self.where} has no place for writes (404): {CHECK_URL}"
        if status == TOO_MANY:
            return f"{self.where} takes no more for now (429): {message}"
        if status >= SERVER_FAULT:
            return f"{self.where} fails ({status}): {message}; look into its log"
        return f"{self.where} answers {status}: {message}; {CHECK_URL}"

    def _unreachable(self, exc: Exception) -> str:
        if isinstance(exc, urllib3.exceptions.NameResolutionError):
            return f"{self.where}: there is no machine of that name; check influx.url, the network"
        cause = _cause(exc)
        if isinstance(cause, ConnectionRefusedError):
            return f"no {self.where[4:]}: nobody listens there; start it, or check influx.url"
        if isinstance(cause, TimeoutError | urllib3.exceptions.TimeoutError):
            waited = f"within {self._settings.timeout_s:g} s"
            return f"{self.where} does not answer {waited} (influx.timeout_s); is it overloaded?"
        if isinstance(exc, urllib3.exceptions.ProtocolError):
            return f"{self.where} broke off in the middle; {CHECK_URL}"
        why = getattr(cause, "strerror", None) or str(cause) or type(cause).__name__
        return f"{self.where} cannot be reached: {why}; check the network and influx.url"

    def _no_tls(self, why: str) -> str:
        if "CERTIFICATE_VERIFY_FAILED" in why:
            return (
                f"{self.where}: its certificate is not to be trusted; check influx.ca_file, and"
                " that influx.url has the name that the certificate has"
            )
        return f"{self.where} does not speak TLS with us; check whether influx.url is http://"

    def _plain(self, message: str) -> str:
        """Return a text without the token and line ends, and bounded."""
        return " ".join(message.replace(self._token, "(token)").split())[: 2 * LONGEST_ANSWER]


CHECK_URL = "check that influx.url is the address of an InfluxDB 2 server"


def _answer(exc: ApiException) -> tuple[str, str]:
    """Return the code and the message of an answer, whatever it looks like."""
    body = str(exc.body or "")
    try:
        parsed = json.loads(body)
    except ValueError:
        parsed = None
    if isinstance(parsed, dict):
        message = parsed.get("message") or parsed.get("error") or ""
        return str(parsed.get("code", "")), str(message)
    return "", body or str(exc.reason or "")


def _wait_s(exc: ApiException) -> float:
    """Return how long the server asks us to wait, s; a date there counts as 0."""
    retry_after = str(exc.retry_after or "")
    return (
        min(float(retry_after), LONGEST_WAIT_S)
        if retry_after.isascii() and retry_after.isdigit()
        else 0.0
    )


def _cause(exc: Exception) -> BaseException:
    match: BaseException = exc
    while (before := match.__cause__ or match.__context__) is not None:
        match = before
    return match


def _bare(url: str) -> str:
    """Return scheme, host and port."""
    parts = urlsplit(url)
    return f"{parts.scheme}://{parts.netloc}"


def _configuration(settings: Influx) -> Configuration:
    configuration = Configuration()
    configuration.host = settings.url.rstrip("/")
    configuration.timeout = round(settings.timeout_s * 1000)
    configuration.ssl_context = _tls(settings)
    return configuration


def _tls(settings: Influx) -> ssl.SSLContext | None:
    if not settings.url.startswith("https://"):
        return None
    try:
        context = ssl.create_default_context(cafile=settings.ca_file)
    except (OSError, ValueError) as exc:
        raise SinkError(f"influx.ca_file: {settings.ca_file} cannot be used: {exc}") from exc
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    context.verify_flags &= ~ssl.VERIFY_X509_STRICT  # as for the broker: authorities of one's own
    return context
