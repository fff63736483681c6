"""Sessions of browsers that signed in: a text that nobody else can make, and that ends.

The key comes from the token, so that a restart signs nobody out and a new token signs out
everybody.  Nothing of a session is stored here.

Source: RFC 2104 (HMAC) and RFC 8018 (PBKDF2); OWASP Cross-Site Request Forgery Prevention Cheat
Sheet, "HMAC Based Token Pattern" (from memory).
"""

from __future__ import annotations

import hashlib
import hmac
import re
from dataclasses import dataclass, field
from hmac import compare_digest

VERSION = "1"
ROUNDS = 100_000
"""Of the derivation, once a start: some 0.1 s on a small computer."""
PURPOSE = b"brinewright: sessions of the page"
AHEAD_S = 86_400.0
"""A session may begin so long after now: the clock of a computer without a battery goes back."""

_FORM = re.compile(r"1\.(\d{1,12})\.([0-9a-f]{24})\.([0-9a-f]{64})", re.ASCII)


@dataclass(frozen=True, slots=True)
class Session:
    """A session that is ours and has not ended.

    Attributes:
        id: Unlike that of any other.
        begin_s: When the browser signed in, Unix time, s.
    """

    id: str
    begin_s: int


@dataclass(frozen=True, slots=True)
class SessionKey:
    """What sessions are signed with.

    Attributes:
        key: The key; in no text of this object.
    """

    key: bytes = field(repr=False)

    def issue(self, id_: str, now_s: float) -> str:
        """Return a new session as text.

        Args:
            id_: 24 hexadecimal digits, unlike any other.
            now_s: Unix time, s.
        """
        head = f"{VERSION}.{int(now_s)}.{id_}"
        return f"{head}.{self._signature(head)}"

    def read(self, text: str, now_s: float, lasts_s: float) -> Session | None:
        """Return the session in a text; None where it is not ours, or has ended.

        Args:
            text: Untrusted.
            now_s: Unix time, s.
            lasts_s: So long a session lasts, s.
        """
        found = _FORM.fullmatch(text)
        if found is None:
            return None
        head = text.rpartition(".")[0]
        if not compare_digest(self._signature(head).encode(), found[3].encode()):
            return None
        begin_s = int(found[1])
        return Session(found[2], begin_s) if -AHEAD_S <= now_s - begin_s < lasts_s else None

    def form_token(self, of: str) -> str:
        """Return what the forms of one session carry, which no other page can know."""
        return self._signature(f"form {of}")

    def _signature(self, text: str) -> str:
        return hmac.new(self.key, text.encode(), hashlib.sha256).hexdigest()


def key_from(token: str) -> SessionKey:
    """Return the key that belongs to a token."""
    return SessionKey(hashlib.pbkdf2_hmac("sha256", token.encode(), PURPOSE, ROUNDS))


def same_secret(one: str, other: str) -> bool:
    """Return whether two texts are equal, in a time that tells nothing of where they differ."""
    return compare_digest(
        hashlib.sha256(one.encode("utf-8", "replace")).digest(),
        hashlib.sha256(other.encode("utf-8", "replace")).digest(),
    )
