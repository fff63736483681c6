"""Parts of the tests of the status page: something to show, and a server to show it."""

from __future__ import annotations

import http.client
import json
import socket
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from threading import Event as Signal
from threading import Thread
from typing import Any
from urllib.parse import unquote_to_bytes

from daemon.entries import JSON, Follower
from daemon.journal.snapshot_codec import reservoir_snapshot
from daemon.page.acts.command_desk import CommandDesk
from daemon.page.application import Application
from daemon.page.serving.server import listening, serve
from daemon.page.site import make_site
from daemon.page.sources import Sources
from daemon.page.view import AlarmView, DisplaySettings, ReservoirView, StationView
from tests.conftest import LOOPBACK, find_free_port

NOW = datetime(2031, 5, 4, 9, 0, tzinfo=UTC)
SNAPSHOT: dict[str, JSON] = {
    "time": "2031-05-04T08:59:58.000Z",
    "phase": "ready",
    "batch": "mix-1-20310504",
    "age_h": 1.5,
    "stable_at": "2031-05-04T07:10:00.000Z",
    "advice": None,
    "advice_salt_g": None,
    "advice_water_l": None,
    "alarms": [],
    "salinity": 33.9,
    "salinity_u": 0.05,
    "specific_gravity": 1.02562,
    "conductivity_mS_cm": 51.0,
    "temperature_C": 24.5,
    "flag": 1,
    "probe": "ct-1",
    "probes_health": {"ct-1": "good"},
}


def display_settings(name: str = "mix-1") -> DisplaySettings:
    """A reservoir as configured."""
    return DisplaySettings(name, 34.0, 1.0, 60.0)


def reservoir_view(
    name: str = "mix-1",
    age_s: float | None = 2.0,
    facts: Mapping[str, JSON] | None = None,
    **more: JSON,
) -> ReservoirView:
    """A reservoir as the journal has it, with some members of its snapshot changed."""
    text = json.dumps({**SNAPSHOT, **(facts or {}), **more})
    return ReservoirView(display_settings(name), reservoir_snapshot(text), age_s)


def alarm_view(reservoir: str = "mix-1", *, active: bool = True, **words: str) -> AlarmView:
    """An alarm that is active, unless said otherwise."""
    usual = {
        "name": "batch-off-target",
        "state": "unacknowledged",
        "priority": "high",
        "why": "32.4 ppt is outside 33 to 35",
        "do": "correct the batch as advised, or discard it",
    }
    return AlarmView(reservoir, active=active, **(usual | words))


def station_view(
    *reservoirs: ReservoirView,
    alarms: tuple[AlarmView, ...] = (),
    trouble: str = "",
    followers: tuple[Follower, ...] = (),
) -> StationView:
    """The view of a station with these reservoirs and these publishers."""
    return StationView(
        "quarantine-wing",
        NOW,
        reservoirs or (reservoir_view(),),
        alarms,
        last_seq=None if trouble else 4711,
        journal_bytes=49_152,
        free_bytes=8_000_000_000,
        trouble=trouble,
        followers=followers,
    )


@dataclass(frozen=True)
class Reply:
    """What a server answered."""

    status: int
    headers: Mapping[str, str]
    body: bytes

    @property
    def text(self) -> str:
        """The body as text."""
        return self.body.decode()


def ask(
    port: int,
    path: str = "/",
    method: str = "GET",
    headers: Mapping[str, str] | None = None,
    body: bytes | None = None,
) -> Reply:
    """Send a request to a server on loopback once, by a connection of its own."""
    with closing(http.client.HTTPConnection(LOOPBACK, port, timeout=10)) as connection:
        connection.request(method, path, body, dict(headers or {}))
        answer = connection.getresponse()
        return Reply(answer.status, dict(answer.getheaders()), answer.read())


def site_of(
    look: Callable[[], StationView],
    names: frozenset[str] = frozenset(),
    desk: CommandDesk | None = None,
) -> Application:
    """The whole page over a view that a test gives; there is no journal."""
    sources = Sources(look, Path("no-journal.db"), (display_settings(),))
    return make_site(sources, names, desk).application


def asked(application: Application, address: str, host: str = "localhost") -> Reply:
    """What an application answers to a GET, without a server between."""
    path, _, query = address.partition("?")
    environ: dict[str, Any] = {
        "REQUEST_METHOD": "GET",
        # As PEP 3333 has it: each byte of the address one sign.
        "PATH_INFO": unquote_to_bytes(path).decode("latin-1"),
        "QUERY_STRING": query.encode().decode("latin-1"),
        "HTTP_HOST": host,
    }
    found: list[tuple[str, list[tuple[str, str]]]] = []
    body = b"".join(application(environ, lambda *said: found.append(said)))  # type: ignore[arg-type]
    ((status, headers),) = found
    return Reply(int(status.partition(" ")[0]), dict(headers), body)


@contextmanager
def served(application: Callable[..., Any], taken_bytes: int = 0) -> Iterator[int]:
    """Serve an application as the service does, on a port that is given.

    Args:
        application: It.
        taken_bytes: How much of an answer the kernel takes that nobody reads; 0 for the usual.
    """
    port, stop = find_free_port(), Signal()
    channel = listening(LOOPBACK, port)
    if taken_bytes:
        channel.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, taken_bytes)
    thread = Thread(target=serve, args=(application, channel, stop))
    thread.start()
    try:
        yield port
    finally:
        stop.set()
        thread.join(10)
        channel.close()
