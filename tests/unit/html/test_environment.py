"""Templates escape every value, and each page carries the one stylesheet."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from jinja2 import UndefinedError

import daemon
from daemon.html.environment import environment, style_source, stylesheet

TEMPLATES = sorted(Path(daemon.__file__).parent.rglob("templates/*.html"))


@given(st.text(max_size=80))
def test_no_value_is_markup(text: str) -> None:
    """In an element and in an attribute: what comes out has no sign that HTML takes for its own."""
    made = environment("daemon.reports").from_string('{{ it }}|"{{ it }}"')
    shown, _, quoted = made.render(it=f"{text}<b>'\"&\u202e").partition('|"')

    for each in (shown, quoted.removesuffix('"')):
        assert not re.search("[<>\"']", each)
        assert each.isprintable()


def test_a_name_that_nobody_gave_is_an_error() -> None:
    """A page with a hole in it is not printed."""
    with pytest.raises(UndefinedError):
        environment("daemon.page").from_string("{{ salinty }}").render(salinity=34.0)


@pytest.mark.parametrize("path", TEMPLATES, ids=lambda path: path.name)
def test_no_template_turns_escaping_off(path: Path) -> None:
    """Nor runs anything, nor fetches anything, nor has a style of its own."""
    text = path.read_text(encoding="utf-8")
    # Scripts and styles are files of the page's own, whose address is looked up by name.
    own = re.sub(r"<(script|link)\b[^>]*\"\{\{ static_url\([^)]*\) \}\}\"[^>]*>", "", text)

    assert not re.search(r"\|\s*safe|autoescape|<script|<link|<img|\son\w+=|\sstyle=|url\(", own)


def test_there_are_templates_to_look_at() -> None:
    """Those of the page and of both documents are among them."""
    names = {path.name for path in TEMPLATES}

    assert {"now.html", "act.html", "batch_sheet.html", "calibration_certificate.html"} <= names


def test_the_stylesheet_fetches_nothing_and_closes_no_element() -> None:
    """It is written into a page as it is."""
    assert not re.search(r"</|@import|url\(|https?:", stylesheet())
    assert re.fullmatch(r"'sha256-[A-Za-z0-9+/]{43}='", style_source())
