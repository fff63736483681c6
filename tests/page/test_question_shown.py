"""What the pages show of a question about a suspended batch."""

from __future__ import annotations

from daemon.entries import JSON
from tests.page.acting_parts import act_page
from tests.page.outline_parts import read
from tests.page.page_parts import reservoir_view, station_view

TEXT = "is the probe out of the water, or was the vessel refilled?"
ASKED: dict[str, JSON] = {
    "text": TEXT,
    "why": "the probe reads 0.00 ppt <and> read 34.02 ppt before",
    "since": "2031-05-04T08:48:00.000Z",
    "answers": ["probe-out", "same-water", "refilled"],
}
WAITING = reservoir_view(phase="verifying", question=ASKED)


def test_the_question_is_shown_with_why_and_since_when() -> None:
    """And with the command that answers it; a text from elsewhere is escaped."""
    said = read(station_view(WAITING)).text

    assert "Suspended\n" in said
    assert "Suspendedsince 08:48" in said
    assert "The probe reads 0.00 ppt <and> read 34.02 ppt before." in said
    assert f"What to do\n{TEXT.capitalize()}" in said
    assert "Answer with brinewright batch answer --reservoir mix-1 probe-out, same-water or" in said


def test_who_answered_is_named_as_they_gave_their_name() -> None:
    """With what is left to do, and nothing is asked a second time."""
    said = read(station_view(reservoir_view(question={**ASKED, "answered_by": "kim"}))).text

    assert "before. kim says that the probe is out of the water." in said
    assert "Put the probe back into the water of the batch" in said
    assert TEXT.capitalize() not in said


def test_a_batch_that_is_not_suspended_shows_no_question() -> None:
    """Nothing is asked about it."""
    said = read(station_view()).text

    assert "Suspended" not in said
    assert "Answer with" not in said


def test_the_page_of_forms_shows_the_question_above_its_buttons() -> None:
    """One tap answers, where the command is allowed; the question is there in any case."""
    view = station_view(WAITING)
    pages = [act_page(view, verbs) for verbs in (("batch.answer",), ())]

    assert [3, 0] == [page.count('action="/command"') for page in pages]
    for page in pages:
        assert 1 == page.count(TEXT)
        assert "&lt;and&gt;" in page
    assert pages[0].index(TEXT) < pages[0].index("The probe is out of the water</button>")
