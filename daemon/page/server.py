"""Serves the page from threads of its own, few and bounded, until told to stop.

A port that is taken is said once and tried again; nothing else waits for it.
"""

from __future__ import annotations

import logging
import socket
import time
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass, field
from threading import Event as Signal
from typing import Any, Protocol

from waitress.channel import HTTPChannel
from waitress.parser import HTTPRequestParser
from waitress.server import create_server

from daemon.journal.requests import LARGEST_BYTES
from daemon.logs import Outage
from daemon.page.application import Application
from daemon.supervision import Progress

THREADS = 2
CONNECTIONS = 40
SILENT_S = 10
"""A connection on which nothing came for so long is closed, s."""
LONGEST_S = 30.0
"""No connection lives longer, s: who sends a byte now and then does not keep others out."""
LONGEST_HEAD = 16_384
TICK_S = 1.0
ROUND_WITHIN_S = 60.0
"""So long requests may wait for their turn before the page is taken to hang, s."""

log = logging.getLogger("brinewright.publish")


class Pauses(Protocol):
    """How long to leave a port alone that cannot be had."""

    def failed(self, now_s: float) -> float:
        """Return how long to wait now, s."""


class _Parser(HTTPRequestParser):  # type: ignore[misc] # the library ships no types
    """The library's, with a path also where none was read: it names it of whoever is gone."""

    path = ""


class _Channel(HTTPChannel):  # type: ignore[misc] # as above
    parser_class = _Parser


@dataclass(slots=True)
class PageServer:
    """One address to serve an application on.

    Attributes:
        application: What is served.
        host: Address or name to listen on.
        port: TCP port.
        outage: What is logged of failures.
        pauses: How long is waited after one.
        served: Told the address once it is served.
        clock: Monotonic seconds.
        progress: Where each round is noted, so that a thread that hangs is noticed.
    """

    application: Application
    host: str
    port: int
    outage: Outage
    pauses: Pauses
    served: Callable[[str], None]
    clock: Callable[[], float] = time.monotonic
    progress: Progress = field(default_factory=lambda: Progress("the page"))

    def run(self, stop: Signal) -> None:
        """Serve until `stop` is set."""
        while not stop.is_set():
            try:
                self._serve(stop)
            except OSError as exc:
                self._leave_alone(_why(self.host, self.port, exc), stop)
            except Exception as exc:  # a fault of ours must not end the page for good
                log.exception("the page: a fault in this program")
                self._leave_alone(repr(exc), stop)

    def _leave_alone(self, why: str, stop: Signal) -> None:
        now_s = self.clock()
        self.outage.failed(why, now_s)
        pause_s = self.pauses.failed(now_s)
        self.progress.round(pause_s + ROUND_WITHIN_S)
        stop.wait(pause_s)

    def _serve(self, stop: Signal) -> None:
        with closing(listening(self.host, self.port)) as channel:
            self.outage.worked()
            self.served(where(self.host, self.port))
            serve(self.application, channel, stop, lambda: self.progress.round(ROUND_WITHIN_S))


def serve(
    application: Application,
    channel: socket.socket,
    stop: Signal,
    well: Callable[[], None] = lambda: None,
) -> None:
    """Answer what comes to a listening socket until `stop` is set.

    Args:
        application: What answers.
        channel: The socket.
        stop: Ends it.
        well: Called each second while no request waits for an answerer that hangs.
    """
    connections: dict[int, Any] = {}
    server = create_server(
        application,
        map=connections,
        sockets=[channel],
        threads=THREADS,
        connection_limit=CONNECTIONS,
        channel_timeout=SILENT_S,
        cleanup_interval=1,
        max_request_header_size=LONGEST_HEAD,
        max_request_body_size=LARGEST_BYTES + 1,  # the first that is too much
        asyncore_use_poll=True,
        expose_tracebacks=False,
        log_socket_errors=False,
        ident=None,
    )
    server.channel_class = _Channel
    try:
        while not stop.is_set():
            server.asyncore.loop(TICK_S, use_poll=True, map=connections, count=1)
            _end_the_longest(server)
            if not server.task_dispatcher.queue:
                well()
    finally:
        server.task_dispatcher.shutdown(timeout=2)
        server.asyncore.close_all(connections)


def _end_the_longest(server: Any) -> None:  # noqa: ANN401 - the library ships no types
    before = time.time() - LONGEST_S
    for channel in list(server.active_channels.values()):
        if channel.creation_time < before and not channel.requests:
            channel.will_close = True


def listening(host: str, port: int) -> socket.socket:
    """Return a socket bound to the first address of a host.

    Raises:
        OSError: It cannot be had.
    """
    family, kind, protocol, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
    channel = socket.socket(family, kind, protocol)
    try:
        channel.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        channel.bind(address)
        channel.listen(CONNECTIONS)
    except OSError:
        channel.close()
        raise
    return channel


def where(host: str, port: int) -> str:
    """Return the address as a browser takes it."""
    return f"http://[{host}]:{port}/" if ":" in host else f"http://{host}:{port}/"


def _why(host: str, port: int, exc: OSError) -> str:
    why = exc.strerror or str(exc)
    return f"{host}:{port} cannot be listened on: {why}; end what uses it, or change page.listen"
