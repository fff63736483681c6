"""What every page has about it: head, navigation, whether it is live, and the foot."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from http import HTTPStatus
from typing import TYPE_CHECKING, Any

from daemon.html.environment import environment
from daemon.page.labels import sentence
from daemon.page.response import Response, html_response
from daemon.page.static_files import static_url

if TYPE_CHECKING:
    from jinja2 import Environment, Template

NAVIGATION: tuple[tuple[str, str], ...] = (
    ("/", "Now"),
    ("/trend", "Trend"),
    ("/batches", "Batches"),
    ("/calibrations", "Calibrations"),
)
"""Address and word of each page that the frame leads to."""
ACTS = ("/act", "Acts")


@dataclass(frozen=True, slots=True)
class Page:
    """What is particular about one page.

    Attributes:
        template: Name of its template, which extends `frame.html`.
        title: In the browser's tab, before the station.
        here: Address under which the navigation has it; empty for none.
        scripts: Names of its own scripts, modules, in order.
        libraries: Names of scripts that come before those, no modules.
        styles: Names of its own styles.
        stream: Live stream that it follows.
        refresh: What a browser without scripts does after some seconds, as HTML has it.
        moves: What every browser does after some seconds, likewise.
    """

    template: str
    title: str
    here: str = ""
    scripts: tuple[str, ...] = ()
    libraries: tuple[str, ...] = ()
    styles: tuple[str, ...] = ()
    stream: str = "beat"
    refresh: str = ""
    moves: str = ""


@dataclass(frozen=True, slots=True)
class Frame:
    """What is about every page alike.

    Attributes:
        title: What people call the station.
        acts: Whether the page takes commands.
    """

    title: str
    acts: bool = False


def framed(
    frame: Frame,
    page: Page,
    status: HTTPStatus = HTTPStatus.OK,
    **values: Any,  # noqa: ANN401 - what the template shows
) -> Response:
    """Return a page within its frame.

    Args:
        frame: What is about every page.
        page: What is particular about it.
        status: Of the response.
        values: What its template shows.
    """
    return html_response(rendered(frame, page, **values), status)


def rendered(frame: Frame, page: Page, **values: Any) -> str:  # noqa: ANN401 - as above
    """Return the text of a page within its frame."""
    return template(page.template).render(
        page=page,
        station=frame.title,
        navigation=(*NAVIGATION, ACTS) if frame.acts else NAVIGATION,
        **values,
    )


def template(name: str) -> Template:
    """Return a template of the page by its name."""
    return _environment().get_template(name)


@cache
def _environment() -> Environment:
    made = environment("daemon.page")
    made.globals["static_url"] = static_url
    made.filters["sentence"] = sentence
    return made
