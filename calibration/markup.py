"""HTML and SVG from plain values, with everything escaped that is not markup already.

What cannot be printed, such as a sign that turns the direction of writing, becomes a blank.
"""

from __future__ import annotations

from html import escape
from typing import TypeAlias


class Markup(str):
    """Text that is markup; only `element` makes it."""

    __slots__ = ()


Child: TypeAlias = "str | Markup | list[Markup] | tuple[Markup, ...]"

_EMPTY = frozenset({"meta", "line", "circle", "path", "rect", "br", "col"})


def element(tag: str, /, *children: Child, **attributes: str | float) -> Markup:
    """Return one element with its children.

    Args:
        tag: Name of the element.
        children: Text is escaped; markup is taken as it is.
        attributes: An underscore stands for a hyphen, one at the end is dropped.
    """
    given = "".join(
        f' {key.rstrip("_").replace("_", "-")}="{escape(_plain(str(value)), quote=True)}"'
        for key, value in attributes.items()
    )
    if tag in _EMPTY and not children:
        return Markup(f"<{tag}{given}/>")
    return Markup(f"<{tag}{given}>{''.join(_inside(child) for child in children)}</{tag}>")


def _inside(child: Child) -> str:
    if isinstance(child, Markup):
        return child
    if isinstance(child, str):
        return escape(_plain(child), quote=False)
    return "".join(_inside(each) for each in child)


def _plain(text: str) -> str:
    return "".join(sign if sign.isprintable() else " " for sign in text)


def table(head: list[str], rows: list[list[str]], caption: str) -> Markup:
    """Return a table; cells are text."""
    top = element("tr", [element("th", each, scope="col") for each in head])
    body = [element("tr", [element("td", each) for each in row]) for row in rows]
    return element(
        "table", element("caption", caption), element("thead", top), element("tbody", body)
    )


def facts(pairs: list[tuple[str, str]]) -> Markup:
    """Return a list of names and what they are; empty ones are left out."""
    inside = [
        element("div", element("dt", name), element("dd", value)) for name, value in pairs if value
    ]
    return element("dl", inside)
