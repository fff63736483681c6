"""The name under which a browser's commands are recorded: typed once, kept by the browser.

Nobody checks it, and it gives no right: it is a signature in a logbook.
"""

from __future__ import annotations

from collections.abc import Mapping

from daemon.journal.command_format import LONGEST_WHO
from daemon.page.acts.cookies import cookie_text, text_cookie

COOKIE = "brinewright-name"
BAD_NAME = f"a name has at most {LONGEST_WHO} characters, all of them on one line"
LASTS_S = 180 * 86_400
"""So long a browser keeps the name, s: our own choice."""


def remembered_name(environ: Mapping[str, object]) -> str:
    """Return the name that a browser kept; empty where it kept none that can be recorded."""
    return clean_name(cookie_text(environ, COOKIE))


def clean_name(text: str) -> str:
    """Return a name as it can be recorded; empty for one that cannot."""
    name = text.strip()
    return name if len(name) <= LONGEST_WHO and name.isprintable() else ""


def name_cookie(name: str, *, secure: bool) -> tuple[str, str]:
    """Return the header that has a browser keep a name; an empty one is forgotten."""
    return text_cookie(COOKIE, name, LASTS_S if name else 0, secure=secure)
