"""A session is ours or it is none: no other text is taken for one, and it ends."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from daemon.page.acts.sessions import AHEAD_S, SessionKey, key_from, same_secret

KEY = SessionKey(b"k" * 32)
ID = "0123456789abcdef01234567"
DAY_S = 86_400.0


def test_a_session_is_taken_until_it_ends() -> None:
    """And not before it began, but for a clock that went back a little."""
    text = KEY.issue(ID, 1000.0)
    taken = {
        now_s: KEY.read(text, now_s, DAY_S) is not None
        for now_s in (1000.0, 1000.0 + DAY_S - 1.0, 1000.0 + DAY_S, 1000.0 - AHEAD_S - 1.0, 0.0)
    }

    assert [True, True, False, False, True] == [*taken.values()]


@given(st.integers(0, 103), st.characters())
def test_a_session_with_one_sign_changed_is_none(place: int, sign: str) -> None:
    """Wherever it is: in its time, its id or its signature."""
    text = KEY.issue(ID, 1000.0)
    place %= len(text)
    changed = text[:place] + sign + text[place + 1 :]

    assert (KEY.read(changed, 1000.0, DAY_S) is None) == (changed != text)


@given(st.text(max_size=200))
def test_no_text_is_a_session(text: str) -> None:
    """Nothing of it is believed, and nothing in it brings the reading down."""
    assert KEY.read(text, 1000.0, DAY_S) is None


def test_the_key_belongs_to_the_token() -> None:
    """After a restart it is the same; another token, or an older one, gives another."""
    text = key_from("token-of-today-123").issue(ID, 1000.0)

    assert key_from("token-of-today-123").read(text, 1001.0, DAY_S) is not None
    assert key_from("token-of-yesterday").read(text, 1001.0, DAY_S) is None


def test_what_forms_carry_is_of_one_session_alone() -> None:
    """And is not the signature of the session itself."""
    first, other = KEY.form_token(ID), KEY.form_token(ID[::-1])

    assert first != other
    assert first not in KEY.issue(ID, 1000.0)
    assert "6b6b" not in repr(KEY)


@given(st.text(max_size=30), st.text(max_size=30))
def test_secrets_are_equal_only_where_their_texts_are(one: str, other: str) -> None:
    """Of any length, and whatever their signs are."""
    assert (one == other) == same_secret(one, other)
    assert same_secret(one, one)
