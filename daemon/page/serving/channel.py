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

from daemon.page.peer import source_of
from daemon.page.request import REQUESTED_S
from daemon.page.serving.connections import Connection, ConnectionStep

FOLLOW = "brinewright.follow"
"""What the server calls the function that has a connection follow a live stream."""
MOST_UNREAD_BYTES = 262_144
"""A follower that leaves so much unread is ended; its browser comes again: our own choice."""
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
        environ[FOLLOW] = self.channel.follow
        return environ

    def finish(self) -> None:
        """End the response, unless a live stream follows it."""
        if not self.channel.stream:
            super().finish()
            return
        self.channel.chunked = self.chunked_response
        # The library would close where it cannot say in pieces how long the response is.
        self.close_on_finish = False


class PageChannel(HTTPChannel):  # type: ignore[misc] # as above
    """The library's, observed.

    Attributes:
        requested_s: When something came last, monotonic s.
        stream: Name of the live stream that it follows; empty for none.
        chunked: Whether that is sent in pieces that say how long they are.
    """

    parser_class = PageParser
    task_class = PageTask

    def __init__(self, server: Any, sock: Any, addr: Any, *more: Any, **by_name: Any) -> None:  # noqa: ANN401
        """Begin: nothing has come yet."""
        self._source = source_of(str(addr[0]))
        self._since_s = self.requested_s = time.monotonic()
        self._answered = False
        self._silent = True
        self.stream = ""
        self.chunked = False
        self._has_all = False
        super().__init__(server, sock, addr, *more, **by_name)

    def received(self, data: bytes) -> bool:
        """Take in what came; a follower has nothing more to say."""
        if self.stream:
            self.will_close = True
            return False
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

    def follow(self, stream: str) -> None:
        """Have it follow a live stream after the response that is being made."""
        self.stream = stream

    @property
    def follows(self) -> str:
        """Name of the stream that it may be sent; empty for none, and before its response."""
        return "" if self.requests else self.stream

    def send_live(self, whole: bytes, news: bytes) -> None:
        """Send what is new on its stream, or all of it to who has none of it yet.

        To be called by the loop alone, which also flushes.
        """
        if self.total_outbufs_len > MOST_UNREAD_BYTES:
            self.end()
            return
        data = news if self._has_all else whole
        self._has_all = True
        if not data:
            return
        if not self.total_outbufs_len:
            self._since_s = time.monotonic()
        if self.chunked:
            data = b"%X\r\n%b\r\n" % (len(data), data)
        self.outbufs[-1].append(data)
        self.total_outbufs_len += len(data)
        self.handle_write()

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
        if self.stream:
            return ConnectionStep.FOLLOWING
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
