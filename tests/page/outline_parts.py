"""A page as a browser reads it: what it is made of, and what it says."""

from __future__ import annotations

from html.parser import HTMLParser

from daemon.page.now.now_page import now_page
from daemon.page.view import StationView

TAGS = {
    *("html", "head", "meta", "title", "style", "body", "header", "main", "section", "footer"),
    *("h1", "h2", "h3", "p", "strong", "small", "div", "dl", "dt", "dd", "ol", "code"),
    *("link", "script", "noscript", "a", "nav", "ul", "li", "span"),
    *("svg", "rect", "line", "circle", "path", "text", "details", "summary", "br"),
}
ATTRIBUTES = {
    *("lang", "charset", "name", "content", "http-equiv", "class", "aria-label", "role"),
    *("viewbox", "x", "y", "x1", "y1", "x2", "y2", "cx", "cy", "r", "width", "height"),
    *("rel", "href", "src", "type", "id", "tabindex", "aria-current"),
    *("data-stream", "data-live", "data-part", "data-title"),
    *("d", "aria-labelledby", "aria-hidden", "focusable"),
}
ALONE = {"meta", "link", "br"}


class Outline(HTMLParser):
    """What a page is made of, what it says, and whether its tags close in order."""

    def __init__(self) -> None:
        """Begin with nothing."""
        super().__init__()
        self.tags: set[str] = set()
        self.attributes: set[str] = set()
        self.labels: list[str] = []
        self.open: list[str] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Take one in."""
        self.tags.add(tag)
        self.attributes |= {name for name, _ in attrs}
        if tag == "h2":
            self.labels.append("")
        if tag not in ALONE:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        """Close the last."""
        assert tag == self.open.pop()

    def handle_data(self, data: str) -> None:
        """Take in what it says."""
        self.text += data
        if self.open[-1:] == ["h2"]:
            self.labels[-1] += data


def read(view: StationView) -> Outline:
    """Read the page as a browser would."""
    found = Outline()
    found.feed(now_page(view))
    found.close()
    assert [] == found.open
    return found
