"""The whole page, of its rooms: one table of addresses, and what is live."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from daemon.page.acts import pages as acts
from daemon.page.acts.command_desk import CommandDesk
from daemon.page.api import endpoints as api
from daemon.page.api.live import DESCRIPTION, LiveDoor
from daemon.page.api.openapi import description
from daemon.page.application import Application
from daemon.page.batches import endpoints as batch_endpoints
from daemon.page.batches import pages as batch_pages
from daemon.page.batches.batch_source import BatchSource
from daemon.page.calibrations import endpoints as calibrations
from daemon.page.calibrations import pages as calibration_pages
from daemon.page.calibrations.calibration_source import CalibrationSource
from daemon.page.now import now_page
from daemon.page.now import pages as now
from daemon.page.request import Request
from daemon.page.response import Response, json_response
from daemon.page.routes import Route, in_order
from daemon.page.serving.live import LiveStreams, Stream
from daemon.page.sources import Sources
from daemon.page.static_files import routes as static_routes
from daemon.page.trend import endpoints as readings
from daemon.page.trend import pages as trend


@dataclass(frozen=True, slots=True)
class Site:
    """What is served, and what is sent to pages that stay open."""

    application: Application
    live: LiveStreams


def make_site(
    sources: Sources,
    names: frozenset[str] = frozenset(),
    desk: CommandDesk | None = None,
) -> Site:
    """Return the whole page.

    Args:
        sources: What it reads from.
        names: Names that the machine may be called by, besides loopback and addresses.
        desk: Takes commands; None where none are configured.
    """
    batches, calibrating = BatchSource(sources), CalibrationSource(sources)
    endpoints = (
        *api.endpoints(sources),
        *readings.endpoints(sources),
        *batch_endpoints.endpoints(batches),
        *calibrations.endpoints(calibrating),
    )

    @cache
    def document() -> Response:
        return json_response(description(endpoints, DESCRIPTION))

    def openapi(_request: Request, _: object) -> Response:
        return document()

    pages = {"beat": Stream(lambda _: {}), now_page.STREAM: Stream(now.live_parts(desk))}
    if desk is not None:
        pages[acts.STREAM] = Stream(acts.live_parts)
    streams = {**pages, "station": api.station_stream()}
    routes = (
        *now.routes(sources, desk),
        *trend.routes(sources),
        *calibration_pages.routes(calibrating, desk),
        *acts.routes(sources, desk),
        *batch_pages.routes(batches),
        *(each.route() for each in endpoints),
        Route("/api/openapi.json", openapi),
        *LiveDoor(pages).routes(),
        *static_routes(),
    )
    application = Application(in_order(routes), names, desk is not None)
    return Site(application, LiveStreams(streams, sources.read_view))
