"""Serves the page from threads of its own, few and bounded, until stopped.

A port that is taken is said once and tried again; nothing else waits for it.
"""

from __future__ import annotations

import logging
import resource
import socket
import time
from collections import deque
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass, field
from functools import partial
from itertools import islice
from threading import Event as Signal
from threading import Thread
from typing import Any, Protocol

from waitress.server import create_server

from daemon.journal.command_format import LARGEST_BYTES
from daemon.logs import Outage
from daemon.page.serving.channel import PageChannel
from daemon.page.serving.connections import ConnectionStep, overdue, surplus
from daemon.page.serving.live import LiveStreams
from daemon.supervision import Progress

THREADS = 2
CONNECTIONS = 200
"""So many are kept, where the process may have four times as many descriptors: our own choice."""
BURST = 64
"""So many more are accepted before others make room for them."""
BACKLOG = 1024
"""So many wait to be accepted, where the kernel lets them."""
NEVER_S = 2**40
"""In place of the library's own limits, which go by the wall clock, s."""
LONGEST_HEAD = 16_384
STOP_WITHIN_S = 2.0
TICK_S = 1.0
FULL_TICK_S = 0.02
"""Pause between two searches for a place to free, while new connections wait for one, s."""
ROUND_WITHIN_S = 60.0
"""The page hangs when its loop, or a request that waits for its answer, takes longer, s."""

log = logging.getLogger("brinewright.publish")


class Pauses(Protocol):
    """How long to wait before a port is tried again."""

    def failed(self, now_s: float) -> float:
        """Return how long to wait now, s."""


@dataclass(slots=True)
class PageServer:
    """One address to serve an application on.

    Attributes:
        application: What is served.
        host: Address or name to listen on.
        port: TCP port.
        outage: What is logged of failures.
        pauses: How long to wait after one.
        served: Called with the address once it is served.
        clock: Monotonic seconds.
        progress: Notes each round, so that a thread that hangs is noticed.
        live: What pages that stay open are sent; None for nothing.
    """

    application: Callable[..., Any]
    host: str
    port: int
    outage: Outage
    pauses: Pauses
    served: Callable[[str], None]
    clock: Callable[[], float] = time.monotonic
    progress: Progress = field(default_factory=lambda: Progress("the page"))
    live: LiveStreams | None = None

    def run(self, stop: Signal) -> None:
        """Serve until `stop` is set."""
        while not stop.is_set():
            try:
                self._serve(stop)
            except OSError as exc:
                self._wait_after(_why(self.host, self.port, exc), stop)
            except Exception as exc:  # a fault of ours must not end the page for good
                log.exception("the page: a fault in this program")
                self._wait_after(repr(exc), stop)

    def _wait_after(self, why: str, stop: Signal) -> None:
        now_s = self.clock()
        self.outage.failed(why, now_s)
        pause_s = self.pauses.failed(now_s)
        self.progress.round(pause_s + ROUND_WITHIN_S)
        stop.wait(pause_s)

    def _serve(self, stop: Signal) -> None:
        with closing(listening(self.host, self.port)) as channel:
            self.outage.worked()
            self.served(where(self.host, self.port))
            serve(
                self.application,
                channel,
                stop,
                lambda: self.progress.round(ROUND_WITHIN_S),
                self.live,
            )


def serve(
    application: Callable[..., Any],
    channel: socket.socket,
    stop: Signal,
    well: Callable[[], None] = lambda: None,
    live: LiveStreams | None = None,
) -> None:
    """Answer what comes to a listening socket until `stop` is set.

    Args:
        application: What answers.
        channel: The socket.
        stop: Ends it.
        well: Called each second while no request has waited too long for its answer.
        live: What pages that stay open are sent; None for nothing.
    """
    connections: dict[int, Any] = {}
    most = _most()
    server = create_server(
        application,
        map=connections,
        sockets=[channel],
        threads=THREADS,
        backlog=BACKLOG,
        connection_limit=most + BURST,  # so many only where most wait for our answer
        channel_timeout=NEVER_S,
        cleanup_interval=NEVER_S,
        max_request_header_size=LONGEST_HEAD,
        max_request_body_size=LARGEST_BYTES + 1,  # the first that is too much
        clear_untrusted_proxy_headers=False,  # who is trusted is decided where they are read
        asyncore_use_poll=True,
        expose_tracebacks=False,
        log_socket_errors=False,
        ident=None,
    )
    server.channel_class = PageChannel
    checked_s = time.monotonic()
    composer = None if live is None else _begin_composing(live, stop, server)
    try:
        while not stop.is_set():
            full = len(server.active_channels) > most
            server.asyncore.loop(
                FULL_TICK_S if full else TICK_S, use_poll=True, map=connections, count=1
            )
            _accept_the_rest(server, most)
            if live is not None:
                _hand_out(live, server)
            now_s = time.monotonic()
            if now_s - checked_s >= TICK_S:
                _end_the_overdue(server, now_s)
                if _answers_in_time(server, now_s) and (
                    live is None or live.late_s(now_s) < ROUND_WITHIN_S
                ):
                    well()
                checked_s = now_s
            _make_room(server, most, now_s)
    finally:
        server.task_dispatcher.shutdown(timeout=2)
        server.asyncore.close_all(connections)
        if composer is not None:
            composer.join(STOP_WITHIN_S)


def _begin_composing(live: LiveStreams, stop: Signal, server: Any) -> Thread:  # noqa: ANN401 - the library ships no types
    """Begin the thread that composes what followers are sent, and wakes the loop for it."""
    run = partial(live.run, stop, server.pull_trigger)
    composer = Thread(target=run, name="the page, live", daemon=True)
    composer.start()
    return composer


def _hand_out(live: LiveStreams, server: Any) -> None:  # noqa: ANN401 - as above
    """Send every follower what is new on its stream."""
    followers = [each for each in list(server.active_channels.values()) if each.follows]
    live.follow({each.follows for each in followers})
    for bulletin in live.take():
        for each in followers:
            if each.connected and each.follows == bulletin.stream:
                each.send_live(bulletin.whole, bulletin.news)


def _most() -> int:
    """Return how many connections there may be; most descriptors are for the others."""
    allowed, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
    return min(CONNECTIONS, allowed // 4)


def _accept_the_rest(server: Any, most: int) -> None:  # noqa: ANN401 - the library ships no types
    """Accept what else waits: the library accepts one at a time."""
    before = -1
    while before < len(server.active_channels) < most + BURST:
        before = len(server.active_channels)
        server.handle_accept()


def _end_the_overdue(server: Any, now_s: float) -> None:  # noqa: ANN401 - as above
    channels = list(server.active_channels.values())
    for place in overdue([each.now_at for each in channels], now_s):
        channels[place].end()


def _answers_in_time(server: Any, now_s: float) -> bool:  # noqa: ANN401 - as above
    """Say whether no request has waited for its answer so long that a thread must hang."""
    connections = (each.now_at for each in list(server.active_channels.values()))
    waiting = (each for each in connections if each.step is ConnectionStep.ANSWERING)
    return all(now_s - each.since_s < ROUND_WITHIN_S for each in waiting)


def _make_room(server: Any, most: int, now_s: float) -> None:  # noqa: ANN401 - as above
    channels = list(server.active_channels.values())
    over = len(channels) - most
    if over > 0:
        places = surplus([each.now_at for each in channels], most, now_s)
        ended = (place for place in places if channels[place].end())
        deque(islice(ended, over), maxlen=0)


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
        channel.listen(BACKLOG)
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
