"""The page, put together from the configuration."""

from __future__ import annotations

import logging
from functools import partial

from daemon.config import Config
from daemon.config.page_access import is_loopback
from daemon.journal.cursors import cursors_path
from daemon.journal.followers import followers
from daemon.journal.freshness import old_after_s
from daemon.journal.inbox import Inbox, beside
from daemon.journal.reader import Reader
from daemon.journal.station_clock import station_clock
from daemon.logs import Outage
from daemon.page.acts.access_assembly import make_access
from daemon.page.acts.command_desk import CommandDesk
from daemon.page.acts.kinds import KINDS
from daemon.page.calibrations.kinds import CALIBRATION_KINDS
from daemon.page.frame import Frame
from daemon.page.serving.server import PageServer, Pauses
from daemon.page.site import make_site
from daemon.page.sources import Sources
from daemon.page.trend.trend_loop import Pausing, TrendLoop
from daemon.page.view import DisplaySettings, ProbeDisplay, ViewReader

log = logging.getLogger("brinewright.publish")


def make_page(config: Config, pauses: Pauses) -> PageServer | None:
    """Return what serves the page, not yet listening; None where it is turned off.

    Args:
        config: The whole configuration.
        pauses: How long a port that cannot be had is left alone.
    """
    settings = config.page
    if not settings.enabled:
        return None
    if not is_loopback(settings.host):
        log.warning(
            "the page on %s asks for no password to read it: whoever reaches that address can;"
            " page.listen = '127.0.0.1:%d' keeps it on this machine",
            settings.listen,
            settings.port,
        )
    _hear_the_library()
    path, reader = config.journal.path, Reader(config.journal.path)
    view_reader = ViewReader(
        config.station.name,
        display_settings(config),
        path,
        reader,
        partial(followers, path, cursors_path(path), config.publishers),
        station_clock(config).now,
        config.station.zone,
        config.station.label or "",
    )
    reservoirs = tuple(each.name for each in config.reservoirs)
    desk = None
    if settings.commands:
        access = make_access(settings)
        desk = CommandDesk(
            settings.commands,
            reservoirs,
            Inbox(beside(path)),
            reader,
            access,
            {**KINDS, **CALIBRATION_KINDS},
        )
    sources = Sources(
        view_reader.read,
        path,
        tuple(display_settings(config)),
        Frame(config.station.label or config.station.name, acts=bool(settings.commands)),
        config.station.zone,
    )
    site = make_site(
        sources,
        frozenset((*settings.names, settings.host.lower())),
        desk,
    )
    return PageServer(
        site.application,
        settings.host,
        settings.port,
        Outage(log, "the page"),
        pauses,
        lambda address: log.info("the page is at %s", address),
        live=site.live,
    )


def make_trend(config: Config, pauses: Pausing) -> TrendLoop:
    """Return what prepares the trend of the journal.

    Args:
        config: The whole configuration.
        pauses: How long it is left alone after a failure.
    """
    return TrendLoop(config.journal.path, pauses, Outage(log, "preparing the trend"))


def _hear_the_library() -> None:
    """Have the server's faults in our log, and leave out what it says of a busy moment."""
    library = logging.getLogger("waitress")
    library.handlers[:] = log.handlers
    library.propagate = False
    library.setLevel(logging.ERROR)


def display_settings(config: Config) -> list[DisplaySettings]:
    """Return what the configuration says of each reservoir that the page needs."""
    return [
        DisplaySettings(
            each.name,
            each.target_ppt,
            each.tolerance_ppt,
            old_after_s((probe.period_s for probe in each.probes), config.station.rehearsal_speed),
            each.use_within_h,
            each.label or "",
            each.capacity_l,
            each.fill_l,
            tuple(
                ProbeDisplay(one.name, one.drift_percent_30d, one.calibrate_with or "")
                for one in each.probes
            ),
            each.release_confidence,
            each.mix_yield,
        )
        for each in config.reservoirs
    ]
