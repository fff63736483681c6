"""Parts of the tests of what is asked over the page: its forms, and sending them."""

from __future__ import annotations

import re
from collections.abc import Mapping
from html import unescape
from urllib.parse import urlencode

from tests.page.page_parts import Reply, ask

FORM = {"Content-Type": "application/x-www-form-urlencoded"}


def forms(page: str) -> dict[str, dict[str, str]]:
    """The hidden fields of each form of a page, by its verb."""
    found = {}
    for each in re.findall(r"<form.*?</form>", page, re.DOTALL):
        hidden = re.findall(r'type="hidden" name="(\w+)" value="([^"]*)"', each)
        fields = {name: unescape(value) for name, value in hidden}
        found[fields["verb"]] = fields
    return found


def post(port: int, fields: Mapping[str, str], **headers: str) -> Reply:
    """Send a form as a browser does."""
    own = {name.replace("_", "-"): value for name, value in headers.items()}
    return ask(port, "/command", "POST", FORM | own, urlencode(fields).encode())
