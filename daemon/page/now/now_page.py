"""The page of the present as text, and its parts as a live page takes them over.

Nothing is shown by colour alone, and every text from elsewhere is escaped.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from daemon.page.blocks import AGAIN_S
from daemon.page.frame import Frame, Page, rendered, template
from daemon.page.now.buttons import MakePresses, no_presses
from daemon.page.now.station_part import StationPart, station_part

if TYPE_CHECKING:
    from collections.abc import Mapping

    from daemon.page.acts.access import Visitor
    from daemon.page.acts.answers import Answer
    from daemon.page.view import StationView

STREAM = "now"
"""Name of the stream that the page follows."""
HERE = "/"
READ_S = 30
"""So long a browser without scripts shows an answer, s."""


@dataclass(frozen=True, slots=True)
class Acting:
    """What the page needs where it takes commands.

    Attributes:
        presses: Gives buttons, the same for every browser.
        visitor: Who sits before this one.
        press_form: What the form carries that the buttons belong to.
        answer: What came of the last one; None where none was sent.
        warning: What whoever may act must know, as a sentence; may be empty.
    """

    presses: MakePresses
    visitor: Visitor
    press_form: Mapping[str, str]
    answer: Answer | None = None
    warning: str = ""


def now_page(view: StationView, acting: Acting | None = None) -> str:
    """Return the whole page.

    Args:
        view: What there is to show.
        acting: What is needed for commands; None where the page takes none.
    """
    found = station_part(view, no_presses if acting is None else acting.presses)
    answer = None if acting is None else acting.answer
    acts = acting is not None
    return rendered(
        Frame(view.title or view.station, acts),
        Page(
            "now.html",
            found.title,
            HERE,
            scripts=("now.js", "acts.js") if acts else ("now.js",),
            styles=("acts.css", "now.css") if acts else ("now.css",),
            stream=STREAM,
            refresh=_refresh(answer),
        ),
        it=found,
        acting=acting,
        reply=answer,
        stray=_is_stray(answer, found),
        again_s=AGAIN_S,
    )


def live_parts(view: StationView, presses: MakePresses = no_presses) -> dict[str, str]:
    """Return every part of the page that changes, as markup by its name.

    Args:
        view: What there is to show.
        presses: Gives buttons; none where the page takes no commands.
    """
    found = station_part(view, presses)
    parts: Any = template("now_parts.html").module
    composed = {"station": parts.station_head(found), "as-of": parts.as_of(found)}
    for each in found.panels:
        composed[f"{each.key}-sign"] = parts.sign(each)
        composed[f"{each.key}-reading"] = parts.reading(each)
        composed[f"{each.key}-present"] = parts.present(each)
        composed[f"{each.key}-details"] = parts.details(each)
    return composed


def _refresh(answer: Answer | None) -> str:
    """Return what a browser without scripts does next."""
    if answer is None:
        return str(AGAIN_S)
    return answer.refresh or f"{READ_S}; url={HERE}"


def _is_stray(answer: Answer | None, found: StationPart) -> bool:
    """Return whether an answer belongs to no place on this page."""
    places = {"station-alarms"}.union(*(each.places for each in found.panels))
    return answer is not None and answer.place not in places
