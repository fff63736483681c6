"""Cookies of the page: read from a request, and written for a browser to keep.

A cookie of ours is never readable by scripts, and never sent with a request that another site
began.

Source: RFC 6265 (2011), 4.1 and 5.4; `SameSite` after draft-ietf-httpbis-rfc6265bis (from memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from urllib.parse import quote, unquote

LONGEST = 400
"""Most characters of a value that is read; ours are shorter."""


def cookie_value(environ: Mapping[str, object], name: str) -> str:
    """Return the value of a cookie; empty where there is none, or more than one of that name."""
    pairs = (part.partition("=") for part in str(environ.get("HTTP_COOKIE", "")).split(";"))
    values = [value.strip() for key, _, value in pairs if key.strip() == name]
    return values[0] if len(values) == 1 and len(values[0]) <= LONGEST else ""


def cookie_text(environ: Mapping[str, object], name: str) -> str:
    """Return the text in a cookie that `text_cookie` made; empty where it is none."""
    try:
        return unquote(cookie_value(environ, name), errors="strict")
    except UnicodeDecodeError:
        return ""


def text_cookie(name: str, text: str, lasts_s: int, *, secure: bool) -> tuple[str, str]:
    """Return the header that has a browser keep any text."""
    return cookie(name, quote(text, safe=""), lasts_s, secure=secure)


def cookie(name: str, value: str, lasts_s: int, *, secure: bool) -> tuple[str, str]:
    """Return the header that has a browser keep a value.

    Args:
        name: Of the cookie.
        value: Letters, digits and signs that a cookie may hold; empty to have it forgotten.
        lasts_s: So long the browser keeps it, s; 0 to have it forgotten.
        secure: Whether the browser sends it over https alone.
    """
    more = "; Secure" if secure else ""
    kept = f"Max-Age={lasts_s}; Path=/; HttpOnly; SameSite=Strict{more}"
    return "Set-Cookie", f"{name}={value}; {kept}"
