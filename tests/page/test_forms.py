"""The page of forms offers what makes sense now, and holds any name without obeying it."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.entries import JSON, Phase
from daemon.mixing.alarm.alarm_state import LifecycleState
from daemon.page.acts.act_view import places_now
from daemon.page.acts.offers import SECOND_READINGS, of_alarm, of_alarms, of_batch, of_lots
from daemon.page.acts.pages import live_parts
from daemon.page.view import ReservoirView, StationView
from tests.page.acting_parts import act_page, forms
from tests.page.page_parts import alarm_view, display_settings, reservoir_view, station_view

ALWAYS = ["shelve", "remove-from-service"]


@pytest.mark.parametrize(
    "state, kinds",
    [
        (LifecycleState.UNACKNOWLEDGED, ["acknowledge", *ALWAYS]),
        (LifecycleState.RETURNED_UNACKNOWLEDGED, ["acknowledge", *ALWAYS]),
        (LifecycleState.ACKNOWLEDGED, ALWAYS),
        (LifecycleState.SUPPRESSED_BY_DESIGN, ALWAYS),
        (LifecycleState.SHELVED, ["unshelve"]),
        (LifecycleState.OUT_OF_SERVICE, ["return-to-service"]),
        ("of a later version", []),
    ],
)
def test_what_is_offered_for_an_alarm_is_what_it_allows(state: str, kinds: list[str]) -> None:
    """From where it stands in its life."""
    assert kinds == [each.kind for each in of_alarm(alarm_view(state=str(state)))]


def test_all_alarms_of_a_place_are_acknowledged_at_once_where_there_are_several() -> None:
    """Those of another place, and what was acknowledged before, do not count."""
    own = [alarm_view(name=name) for name in ("probe-fault", "batch-off-target")]
    done, other = alarm_view(name="x", state="acknowledged"), alarm_view("mix-2", name="y")
    (offer,) = of_alarms([*own, done, other], "mix-1")

    assert ("acknowledge-all", "mix-1", "Acknowledge all 2") == (
        offer.kind, offer.reservoir, offer.button,
    )  # fmt: skip
    assert [] == of_alarms([own[0], done, other], "mix-1")


@pytest.mark.parametrize(
    "phase, batch, age_s, kinds",
    [
        (Phase.IDLE, None, 2.0, ["start"]),
        (Phase.IDLE, None, 600.0, []),
        (Phase.BLANK, "b", 2.0, ["salt", "note", "discard"]),
        (Phase.DISSOLVING, "b", 2.0, ["salt", "note", "discard"]),
        (Phase.VERIFYING, "b", 2.0, ["confirm", *SECOND_READINGS, "salt", "note", "discard"]),
        (Phase.READY, "b", 2.0, ["use", *SECOND_READINGS, "note", "discard"]),
        (Phase.OFF_TARGET, "b", 2.0, ["salt", *SECOND_READINGS, "note", "discard"]),
        (Phase.STALE, "b", 2.0, ["confirm", "discard", *SECOND_READINGS, "note"]),
        (Phase.READY, "b", 600.0, ["note"]),
    ],
)
def test_what_is_offered_for_a_batch_is_what_its_phase_allows(
    phase: Phase, batch: str | None, age_s: float, kinds: list[str]
) -> None:
    """Nobody is led to use or confirm what is not measured now; it is for the batch shown."""
    offers = of_batch(reservoir_view(age_s=age_s, phase=str(phase), batch=batch))

    assert kinds == [each.kind for each in offers]
    assert all({"batch": "b"} == each.about for each in offers if batch)


def test_a_released_batch_whose_probe_left_may_have_been_used() -> None:
    """The litres can be recorded while its question waits; before a release they cannot."""
    question: dict[str, JSON] = {
        "text": "?",
        "why": "",
        "since": "2031-05-04T08:48:00.000Z",
        "answers": [],
    }
    waiting: dict[str, JSON] = {"phase": "verifying", "question": question}
    released, before = (reservoir_view(facts=waiting, age_h=hours) for hours in (1.0, None))

    assert "use" == of_batch(released)[0].kind
    assert "use" not in {each.kind for each in of_batch(before)}


def test_lots_can_be_recorded_unless_the_journal_cannot_be_read() -> None:
    """They belong to no reservoir and no phase."""
    assert ["lot-add", "lot-adjust"] == [each.kind for each in of_lots(station_view())]
    assert [] == of_lots(station_view(trouble="the journal is gone"))


def test_before_anything_was_measured_there_is_nothing_to_do_and_the_page_says_why() -> None:
    """No journal, and a reservoir that has no probe: no form, and nothing looks ready."""
    unread = ReservoirView(display_settings(), None, None)
    page = act_page(station_view(unread, trouble="nothing has been measured yet"))
    beside = act_page(
        station_view(reservoir_view(), ReservoirView(display_settings("b"), None, None))
    )

    assert ({}, True) == (forms(page), "Nothing has been measured yet." in page)
    assert "Released" not in page
    assert {"mix-1", ""} == {each["reservoir"] for each in forms(beside).values()}
    assert "Nothing can be done here now" in beside


def test_only_what_is_allowed_is_offered() -> None:
    """The list of the configuration decides."""
    view = station_view(alarms=(alarm_view(), alarm_view("", name="storage-low")))
    page = act_page(view, ("alarm.acknowledge",))

    assert 2 == page.count('action="/command"')
    assert ["acknowledge"] == [*forms(page)]


@given(st.text(max_size=40), st.text(max_size=40))
def test_no_name_is_taken_for_a_part_of_a_form(name: str, batch: str) -> None:
    """Whatever an alarm or a batch is called, a form holds the fields it is meant to hold."""
    view = station_view(
        reservoir_view(batch=batch, phase="ready"), alarms=(alarm_view(name=name, why=batch),)
    )
    page = act_page(view)

    for fields in forms(page).values():
        assert {"token", "id", "kind", "reservoir", "here"} <= set(fields)
        assert ("/act", True) == (fields["here"], fields["reservoir"] in ("mix-1", ""))
    assert page.count("<form") == 1 + page.count('action="/command"') == page.count("</form>")


def test_what_is_live_beside_the_forms_has_a_place_for_each_part() -> None:
    """Every part that is sent has one on the page, with the same in it as when it was loaded."""
    view = station_view(alarms=(alarm_view(), alarm_view("", name="storage-low")))
    page, parts = act_page(view), live_parts(view)

    assert {"act-mix-1", "act-station"} == set(parts)
    for name, markup in parts.items():
        assert f'<div data-part="{name}">{markup}</div>' in page


@pytest.mark.parametrize(
    "view, other",
    [
        (station_view(reservoir_view(phase="stale")), True),
        (station_view(reservoir_view(batch="mix-1-20310505")), True),
        (station_view(reservoir_view(age_s=900.0)), True),
        (station_view(alarms=(alarm_view(),)), True),
        (station_view(reservoir_view(salinity=34.1)), False),
    ],
)
def test_a_page_learns_that_something_else_can_be_done(view: StationView, other: object) -> None:
    """By the phase, another batch, an old reading or an alarm; not by a figure."""
    now, then = places_now(view)["mix-1"].digest, places_now(station_view())["mix-1"].digest

    assert other is (now != then)
