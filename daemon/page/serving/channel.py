"""One connection to the page: the library's, which also knows its step and since when.

It uses the monotonic clock: the library uses the wall clock, which may jump on a computer
without a battery.
"""

from __future__ import annotations

import struct
import time
from contextlib import suppress
from socket import MSG_DONTWAIT, MSG_PEEK, SO_LINGER, SOL_SOCKET
from typing import Any

from waitress.channel import HTTPChannel
from waitress.parser import HTTPRequestParser
from waitress.task import WSGITask

from daemon.page.application import REQUESTED_S
from daemon.page.serving.connections import Connection, ConnectionStep, source_of

MOST_AHEAD = 8
"""Requests sent without waiting for the answers; browsers send one, and each answer takes memory
until it is read."""


class PageParser(HTTPRequestParser):  # type: ignore[misc] # the library ships no types
    """The library's, with a path also where none was read: the library logs it."""

    path = ""


class PageTask(WSGITask):  # type: ignore[misc] # as above
    """The library's, which also says when its request came."""

    def get_environment(self) -> dict[str, Any]:
        """Return what the application learns of a request."""
        environ: dict[str, Any] = super().get_environment()
        environ[REQUESTED_S] = self.channel.requested_s
        return environ


class PageChannel(HTTPChannel):  # type: ignore[misc] # as above
    """The library's, observed.

    Attributes:
        requested_s: When something came last, monotonic s.
    """

    parser_class = PageParser
    task_class = PageTask

    def __init__(self, server: Any, sock: Any, addr: Any, *more: Any, **by_name: Any) -> None:  # noqa: ANN401
        """Begin: nothing has come yet."""
        self._source = source_of(str(addr[0]))
        self._since_s = self.requested_s = time.monotonic()
        self._answered = False
        self._silent = True
        super().__init__(server, sock, addr, *more, **by_name)

    def received(self, data: bytes) -> bool:
        """Take in what came."""
        self.requested_s = time.monotonic()
        if self._silent and self._answered:
            self._since_s = self.requested_s
        self._silent = False
        taken = bool(super().received(data))
        if len(self.requests) > MOST_AHEAD:
            self.will_close = True
        return taken

    def service(self) -> None:
        """Answer one request, in a thread of the server's."""
        self._since_s = time.monotonic()
        super().service()
        self._since_s, self._answered, self._silent = time.monotonic(), True, True

    @property
    def now_at(self) -> Connection:
        """What it is at."""
        return Connection(self._source, self._step, self._since_s)

    @property
    def _step(self) -> ConnectionStep:
        if self.requests:
            return ConnectionStep.ANSWERING
        if self.total_outbufs_len:
            return ConnectionStep.SENDING
        kept = self._answered and self._silent and self.request is None
        return ConnectionStep.IDLE if kept else ConnectionStep.RECEIVING

    def end(self) -> bool:
        """Close it, unless a request has just come and was not read yet; say whether it is over."""
        if self._silent:
            with suppress(OSError):  # nothing has come, or it is broken
                if self.socket.recv(1, MSG_PEEK | MSG_DONTWAIT):
                    return False
        if self._step is ConnectionStep.SENDING:
            # Half an answer is of no use: neither is the kernel to keep the rest of it.
            self.socket.setsockopt(SOL_SOCKET, SO_LINGER, struct.pack("ii", 1, 0))
        self.handle_close()
        return True
