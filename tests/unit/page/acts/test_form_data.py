"""What a posted form says: each field once, or it is no form of ours."""

from __future__ import annotations

import pytest

from daemon.journal.command_format import BadRequestError
from daemon.page.acts.form_data import fields_of


@pytest.mark.parametrize(
    "body",
    [
        b"verb=batch.use&verb=batch.discard",
        b"verb=batch.use&verb=batch.use",
        b"verb=batch.use&reservoir=mix-1&verb=",
        b"verb=&verb=batch.use",
    ],
)
def test_a_field_that_stands_twice_is_refused(body: bytes) -> None:
    """Nobody can say which of the two was meant, also where one is empty or both are alike."""
    with pytest.raises(BadRequestError, match="a field is twice in the form"):
        fields_of(body)


def test_each_field_once_is_taken() -> None:
    """The other outcome: blanks around go, empty fields are left out."""
    assert {"verb": "batch.use", "reservoir": "mix-1"} == fields_of(
        b"verb=batch.use&reservoir=+mix-1+&note="
    )


@pytest.mark.parametrize("body", [b"\xff=1", b"verb=%ff", b"a=1" * 10_000])
def test_what_is_no_form_is_refused(body: bytes) -> None:
    """Bytes that are no ASCII, escapes that are no text, and more than is allowed."""
    with pytest.raises(BadRequestError):
        fields_of(body)
