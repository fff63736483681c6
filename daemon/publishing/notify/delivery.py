"""Hands one message to one receiver through the Apprise library, and says why it was not taken.

The library speaks only through its log, with addresses in it.  Its log is kept
from every other ear here, and what it says is told with the address hidden.
"""

from __future__ import annotations

import logging
import re
import threading
from collections.abc import Sequence
from typing import Protocol

from apprise import Apprise, NotifyFormat, NotifyType
from apprise.plugins import NotifyBase

from daemon.publishing.notify.receivers import Receiver
from daemon.publishing.sink import SinkError

TYPES = {
    "failure": NotifyType.FAILURE,
    "warning": NotifyType.WARNING,
    "success": NotifyType.SUCCESS,
    "info": NotifyType.INFO,
}


BEHIND = "Socket Exception: "
ERRNO = re.compile(r"\[Errno -?\d+\] ([A-Z][\w ]+)")
LONGEST = 300
"""Characters of a reason; it is cut only after the address was hidden in it."""


class Post(Protocol):
    """The way to one receiver."""

    def send(self, title: str, body: str, kind: str) -> None:
        """Hand over a message, as long as it takes; `kind` is one of `TYPES`.

        Raises:
            SinkError: It was not taken; the text says why, without the address.
        """


class _LastWords(logging.Handler):
    """Keeps what each thread's library said last: the warning, and the error behind it."""

    def __init__(self) -> None:
        super().__init__(logging.DEBUG)
        self._warning: dict[int, str] = {}
        self._error: dict[int, str] = {}

    def emit(self, record: logging.LogRecord) -> None:
        """Keep what was said, where it is of use."""
        text, thread = record.getMessage(), threading.get_ident()
        if record.levelno >= logging.WARNING:
            self._warning[thread] = text
        elif text.startswith(BEHIND):
            self._error[thread] = text.removeprefix(BEHIND)

    def take(self) -> str:
        """Return what this thread's library said last; empty when nothing."""
        thread = threading.get_ident()
        warning, error = self._warning.pop(thread, ""), self._error.pop(thread, "")
        plain = ERRNO.search(error)
        error = plain[1] if plain else error
        return ": ".join(part.strip(" .") for part in (warning, error) if part)


def _listen() -> _LastWords:
    library = logging.getLogger("apprise")
    library.propagate = False
    library.setLevel(logging.DEBUG)  # the reason of a failure is told no louder than that
    for handler in library.handlers:
        if isinstance(handler, _LastWords):
            return handler
    words = _LastWords()
    library.addHandler(words)
    return words


class ApprisePost:
    """The way to one receiver through the library."""

    def __init__(self, receiver: Receiver) -> None:
        """Understand the address; nobody is asked yet.

        Raises:
            SinkError: The library can make nothing of the address.
        """
        self._receiver = receiver
        self._words = _listen()
        service = Apprise.instantiate(receiver.url, suppress_exceptions=True)
        self._words.take()
        if not isinstance(service, NotifyBase):
            scheme = receiver.url.partition("://")[0]
            raise SinkError(
                f"{receiver.file}, line {receiver.line} is no address that Apprise can use; check"
                f" the name of the service, {scheme}, and what its documentation asks for behind it"
            )
        self._service = service

    def send(self, title: str, body: str, kind: str) -> None:
        """Hand over a message; see `Post`.

        Raises:
            SinkError: It was not taken.
        """
        self._words.take()
        try:
            taken = self._service.notify(
                body=body, title=title, notify_type=TYPES[kind], body_format=NotifyFormat.TEXT
            )
        except Exception as exc:  # noqa: BLE001 - a plugin may raise whatever its own library does
            self._words.take()
            raise SinkError(f"the way there fails: {type(exc).__name__}") from None
        said = self._words.take()
        if not taken:
            why = self._receiver.redacted(said)[:LONGEST]
            raise SinkError(why or "it was not taken, and nobody said why")


def open_posts(receivers: Sequence[Receiver]) -> dict[Receiver, Post]:
    """Return the way to each receiver.

    Raises:
        SinkError: An address cannot be used; all of those in sentences.
    """
    posts: dict[Receiver, Post] = {}
    faults = []
    for receiver in receivers:
        try:
            posts[receiver] = ApprisePost(receiver)
        except SinkError as exc:
            faults.append(f"{exc}.")
    if faults:
        raise SinkError(" ".join(faults).removesuffix("."))
    return posts
