"""Delivers one notification to one receiver through the Apprise library, or says why it failed.

The library gives its reasons only in its log, with addresses in them.  Its log reaches no
other handler, and its reasons are passed on with the address hidden.
"""

from __future__ import annotations

import logging
import re
import threading
from collections.abc import Sequence
from typing import Protocol

from apprise import NotifyFormat, NotifyType

from daemon.publishing.notify.plugin import open_service
from daemon.publishing.notify.receivers import Receiver
from daemon.publishing.sink import SinkError

TYPES = {
    "failure": NotifyType.FAILURE,
    "warning": NotifyType.WARNING,
    "success": NotifyType.SUCCESS,
    "info": NotifyType.INFO,
}


SOCKET_ERROR = "Socket Exception: "
ERRNO = re.compile(r"\[Errno -?\d+\] ([A-Z][\w ]+)")
LONGEST = 300
"""Characters of a reason; it is cut only after the address was hidden in it."""


class Delivery(Protocol):
    """A way to reach one receiver."""

    def send(self, title: str, body: str, kind: str) -> None:
        """Deliver a text, as long as it takes; `kind` is one of `TYPES`.

        Raises:
            SinkError: It was not accepted; the text says why, without the address.
        """


class _LibraryLog(logging.Handler):
    """Keeps the last record of the library by thread: the warning, and the error behind it."""

    def __init__(self) -> None:
        super().__init__(logging.DEBUG)
        self._warning: dict[int, str] = {}
        self._error: dict[int, str] = {}

    def emit(self, record: logging.LogRecord) -> None:
        """Keep a record that gives a reason."""
        text, thread = record.getMessage(), threading.get_ident()
        if record.levelno >= logging.WARNING:
            self._warning[thread] = text
        elif text.startswith(SOCKET_ERROR):
            self._error[thread] = text.removeprefix(SOCKET_ERROR)

    def take(self) -> str:
        """Return the last reason in this thread, and forget it; empty when there is none."""
        thread = threading.get_ident()
        warning, error = self._warning.pop(thread, ""), self._error.pop(thread, "")
        plain = ERRNO.search(error)
        error = plain[1] if plain else error
        return ": ".join(part.strip(" .") for part in (warning, error) if part)


def _capture_log() -> _LibraryLog:
    library = logging.getLogger("apprise")
    library.propagate = False
    library.setLevel(logging.DEBUG)  # the reason of a failure has no higher level than that
    for handler in library.handlers:
        if isinstance(handler, _LibraryLog):
            return handler
    library_log = _LibraryLog()
    library.addHandler(library_log)
    return library_log


class AppriseDelivery:
    """Reaches one receiver through the library."""

    def __init__(self, receiver: Receiver) -> None:
        """Parse the address; nothing is sent yet.

        Raises:
            SinkError: The library cannot use the address.
        """
        self._receiver = receiver
        self._library_log = _capture_log()
        service = open_service(receiver.url)
        self._library_log.take()
        if service is None:
            scheme = receiver.url.partition("://")[0]
            raise SinkError(
                f"{receiver.file}, line {receiver.line} is no address that Apprise can use; check"
                f" the name of the service, {scheme}, and what its documentation asks for behind it"
            )
        self._service = service

    def send(self, title: str, body: str, kind: str) -> None:
        """Deliver a text; see `Delivery`.

        Raises:
            SinkError: It was not accepted.
        """
        self._library_log.take()
        try:
            accepted = self._service.notify(
                body=body, title=title, notify_type=TYPES[kind], body_format=NotifyFormat.TEXT
            )
        except Exception as exc:  # noqa: BLE001 - a plugin may raise whatever its own library does
            self._library_log.take()
            raise SinkError(f"the delivery failed: {type(exc).__name__}") from None
        reason = self._library_log.take()
        if not accepted:
            why = self._receiver.redacted(reason)[:LONGEST]
            raise SinkError(why or "it was not accepted, and no reason was given")


def open_deliveries(receivers: Sequence[Receiver]) -> dict[Receiver, Delivery]:
    """Return how each receiver is reached.

    Raises:
        SinkError: An address cannot be used; all of those in sentences.
    """
    deliveries: dict[Receiver, Delivery] = {}
    faults = []
    for receiver in receivers:
        try:
            deliveries[receiver] = AppriseDelivery(receiver)
        except SinkError as exc:
            faults.append(f"{exc}.")
    if faults:
        raise SinkError(" ".join(faults).removesuffix("."))
    return deliveries
