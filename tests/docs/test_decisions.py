"""The records of decisions are short, dated and numbered."""

from __future__ import annotations

import re
from datetime import date

import pytest

from tests.docs.guides import decisions, text_of

HEADINGS = ["Context", "Decision", "Consequences"]


@pytest.mark.parametrize("page", decisions())
def test_a_decision_says_why_what_and_with_which_consequences(page: str) -> None:
    """Number and title, a date, three sections, 15 to 40 lines."""
    lines = text_of(page).splitlines()
    number = int(page.rsplit("/", 1)[1].split("-", 1)[0])

    assert re.fullmatch(rf"# {number}\. \S.*", lines[0])
    assert date(2026, 11, 1) <= date.fromisoformat(lines[2])
    assert HEADINGS == [line.removeprefix("## ") for line in lines if line.startswith("## ")]
    assert 15 <= len(lines) <= 40


def test_no_number_is_given_twice() -> None:
    """A decision can be named by its number."""
    numbers = [page.rsplit("/", 1)[1].split("-", 1)[0] for page in decisions()]

    assert len(numbers) > 10
    assert sorted(set(numbers)) == numbers
