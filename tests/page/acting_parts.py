"""Parts of the tests of what is asked over the page: its forms, and sending them."""

from __future__ import annotations

import re
from collections.abc import Mapping
from html import unescape
from pathlib import Path
from urllib.parse import urlencode

from daemon.config.services import COMMANDS
from daemon.journal.inbox import Inbox
from daemon.journal.reader import Reader
from daemon.page.acts.command_desk import CommandDesk
from daemon.page.acts.pages import routes
from daemon.page.request import Request
from daemon.page.sources import Sources
from daemon.page.view import StationView
from tests.page.page_parts import Reply, ask

FORM = {"Content-Type": "application/x-www-form-urlencoded"}


def forms(page: str) -> dict[str, dict[str, str]]:
    """The hidden fields of each form of a page, by its kind."""
    found = {}
    for each in re.findall(r'<form[^>]*action="/command".*?</form>', page, re.DOTALL):
        hidden = re.findall(r'type="hidden" name="(\w+)" value="([^"]*)"', each)
        fields = {name: unescape(value) for name, value in hidden}
        found[fields.get("kind", "")] = fields
    return found


def post(port: int, fields: Mapping[str, str], **headers: str) -> Reply:
    """Send a form as a browser does."""
    own = {name.replace("_", "-"): value for name, value in headers.items()}
    return ask(port, "/command", "POST", FORM | own, urlencode(fields).encode())


def act_page(view: StationView, allowed: tuple[str, ...] = COMMANDS) -> str:
    """The page of acts of a station, as somebody sees it on an address of this machine alone."""
    nowhere = Path("no-journal.db")
    desk = CommandDesk(allowed, ("mix-1",), Inbox(nowhere), Reader(nowhere))
    (act, *_) = routes(Sources(lambda: view, nowhere), desk)
    return act.answer(Request("GET", act.path), {}).body.decode()
