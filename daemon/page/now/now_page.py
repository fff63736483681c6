"""The page of the present as text, and its parts as a live page takes them over.

Nothing is shown by colour alone, and every text from elsewhere is escaped.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from daemon.page.blocks import AGAIN_S, Banner
from daemon.page.frame import Frame, Page, rendered, template
from daemon.page.now.station_part import station_part

if TYPE_CHECKING:
    from daemon.page.view import StationView

STREAM = "now"
"""Name of the stream that the page follows."""


def now_page(view: StationView, answer: Banner | None = None, *, acts: bool = False) -> str:
    """Return the whole page.

    Args:
        view: What there is to show.
        answer: What came of a command; None where none was sent.
        acts: Whether the page takes commands.
    """
    found = station_part(view)
    moves = f"{answer.after_s}; url={answer.next_url}" if answer and answer.next_url else ""
    return rendered(
        Frame(view.title or view.station, acts),
        Page(
            "now.html",
            found.title,
            "/",
            scripts=("now.js",),
            styles=("now.css",),
            stream=STREAM,
            refresh="" if moves else str(AGAIN_S),
            moves=moves,
        ),
        it=found,
        answer=answer,
        again_s=AGAIN_S,
    )


def live_parts(view: StationView) -> dict[str, str]:
    """Return every part of the page that changes, as markup by its name."""
    found = station_part(view)
    parts: Any = template("now_parts.html").module
    composed = {"station": parts.station_head(found), "as-of": parts.as_of(found)}
    for each in found.panels:
        composed[f"{each.key}-sign"] = parts.sign(each)
        composed[f"{each.key}-reading"] = parts.reading(each)
        composed[f"{each.key}-present"] = parts.present(each)
        composed[f"{each.key}-details"] = parts.details(each)
    return composed
