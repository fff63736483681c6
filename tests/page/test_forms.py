"""The page of forms offers what makes sense now, and holds any name without obeying it."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.config.services import COMMANDS
from daemon.entries import Phase
from daemon.mixing.alarm.alarm_state import LifecycleState
from daemon.page.acts.forms import about_alarm, about_batch, act_page
from tests.page.acting_parts import forms
from tests.page.page_parts import alarm_view, reservoir_view, station_view


@pytest.mark.parametrize(
    "state, verbs",
    [
        (LifecycleState.UNACKNOWLEDGED, ["alarm.acknowledge", "alarm.shelve"]),
        (LifecycleState.RETURNED_UNACKNOWLEDGED, ["alarm.acknowledge", "alarm.shelve"]),
        (LifecycleState.ACKNOWLEDGED, ["alarm.shelve"]),
        (LifecycleState.SUPPRESSED_BY_DESIGN, ["alarm.shelve"]),
        (LifecycleState.SHELVED, ["alarm.unshelve"]),
        (LifecycleState.OUT_OF_SERVICE, []),
        ("of a later version", []),
    ],
)
def test_what_is_offered_for_an_alarm_is_what_it_allows(state: str, verbs: list[str]) -> None:
    """From where it stands in its life."""
    assert verbs == [each.verb for each in about_alarm(alarm_view(state=str(state)))]


@pytest.mark.parametrize(
    "phase, batch, age_s, verbs",
    [
        (Phase.IDLE, None, 2.0, []),
        (Phase.DISSOLVING, "b", 2.0, ["batch.note", "batch.discard"]),
        (Phase.VERIFYING, "b", 2.0, ["batch.confirm", "batch.note", "batch.discard"]),
        (Phase.READY, "b", 2.0, ["batch.use", "batch.note", "batch.discard"]),
        (Phase.STALE, "b", 2.0, ["batch.confirm", "batch.note", "batch.discard"]),
        (Phase.READY, "b", 600.0, ["batch.note"]),
    ],
)
def test_what_is_offered_for_a_batch_is_what_its_phase_allows(
    phase: Phase, batch: str | None, age_s: float, verbs: list[str]
) -> None:
    """Nobody is led to use or confirm what is not measured now; it is for the batch shown."""
    offers = about_batch(reservoir_view(age_s=age_s, phase=str(phase), batch=batch))

    assert verbs == [each.verb for each in offers]
    assert {("batch", "b")} >= {each.about for each in offers}


def test_only_what_is_allowed_is_offered() -> None:
    """The list of the configuration decides."""
    view = station_view(alarms=(alarm_view(), alarm_view("", name="storage-low")))
    page = act_page(view, ("alarm.acknowledge",), "secret", lambda: "id")

    assert 2 == page.count("<form")
    assert ["alarm.acknowledge"] == [*forms(page)]


@given(st.text(max_size=40), st.text(max_size=40))
def test_no_name_is_taken_for_a_part_of_a_form(name: str, batch: str) -> None:
    """Whatever an alarm or a batch is called, a form holds the fields it is meant to hold."""
    view = station_view(
        reservoir_view(batch=batch, phase="ready"), alarms=(alarm_view(name=name, why=batch),)
    )
    page = act_page(view, COMMANDS, "secret", lambda: "id")

    for fields in forms(page).values():
        assert {"token", "id", "verb", "reservoir"} < set(fields)
        assert ("secret", "mix-1") == (fields["token"], fields["reservoir"])
    assert page.count("<form") == page.count('action="/command"') == page.count("</form>")
