"""Templates that escape every value, and the stylesheet that each page carries within it."""

from __future__ import annotations

import base64
import hashlib
from functools import cache
from importlib.resources import files

from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined
from markupsafe import Markup


def environment(package: str) -> Environment:
    """Return the environment of a package's `templates`, which may extend the shared ones.

    Every value is escaped, what cannot be printed becomes a blank, and a name that a
    template uses and nobody gave is an error.

    Args:
        package: Its dotted name.
    """
    made = Environment(
        loader=ChoiceLoader([PackageLoader(package), PackageLoader("daemon.html")]),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_printable,
    )
    # The style is ours, and holds nothing from a record.
    made.globals["stylesheet"] = Markup(stylesheet())  # noqa: S704
    made.globals["style_source"] = style_source()
    return made


@cache
def stylesheet() -> str:
    """Return the one stylesheet, which is written into each page so that it needs no other file."""
    return files("daemon.html").joinpath("style.css").read_text(encoding="utf-8")


@cache
def style_source() -> str:
    """Return what a content policy calls the one stylesheet by: its hash."""
    digest = hashlib.sha256(stylesheet().encode()).digest()
    return f"'sha256-{base64.b64encode(digest).decode()}'"


def _printable(value: object) -> object:
    """Return a value with a blank for each sign that cannot be printed; markup as it is.

    A sign of writing direction would show a text as another one.
    """
    if isinstance(value, str) and not hasattr(value, "__html__") and not value.isprintable():
        return "".join(sign if sign.isprintable() else " " for sign in value)
    return value
