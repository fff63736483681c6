"""Headers that go with a refusal, for browsers and tools alike.

Source: RFC 9110 (2022), 11.6.1 and 15.5.2; RFC 6585 (2012), 4; RFC 6750 (2012), 3.
"""

from __future__ import annotations

from http import HTTPStatus

RETRY = ("Retry-After", "60")
ASK_FOR_TOKEN = ("WWW-Authenticate", 'Bearer realm="brinewright"')


def refusal_headers(status: HTTPStatus) -> tuple[tuple[str, str], ...]:
    """Return what goes with a status."""
    if status is HTTPStatus.UNAUTHORIZED:
        return (ASK_FOR_TOKEN,)
    return (RETRY,) if status is HTTPStatus.TOO_MANY_REQUESTS else ()
