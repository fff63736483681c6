"""What a person does in a real window: signs in, answers a question, acknowledges an alarm."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import pytest

from daemon.entries import JSON, Kind
from simulators.stage import Action, perform
from tests.browser.hostile_station import NAME, TEXT
from tests.browser.keyboard import fill_in, press, unfold
from tests.browser.liveness import seconds_until
from tests.browser.looks import photograph, violations
from tests.browser.served import ServedStation, served_station, stage_of
from tests.browser.windows import DESK, PHONE, Windows
from tests.parts.events import facts_in
from tests.services.service_parts import assert_plain_speech

TOKEN = "the-token-of-the-quarantine-wing"
IN_AIR = Action(0.0, "dip", {"conductivity_mS_cm": 0.0, "temperature_C": 24.0})
BACK = Action(0.0, "back", {})
OUT, IN = Action(0.0, "plug", {"in": 0.0}), Action(0.0, "plug", {"in": 1.0})
UNAUTHORISED = r"status of 401"
NOTE_SIGNS = 160
MOST_SALT_PPT = 33.9
"""So near to where it ends that it is the same water after a while."""


@pytest.fixture(scope="module")
def acting(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServedStation]:
    """A station that takes commands over its page, with a batch whose salt dissolves."""
    folder = tmp_path_factory.mktemp("acting")
    token = folder / "page-token"
    token.write_text(f"{TOKEN}\n")
    token.chmod(0o600)
    verbs = ("batch.answer", "alarm.acknowledge", "alarm.shelve", "batch.note")
    with served_station(
        folder, stage_of("plain-batch"), *verbs, more='token_file = "page-token"'
    ) as served:
        served.measure.start()
        served.wait_for(has_most_salt, "most of the salt")
        yield served
        assert_plain_speech(served.publish)
        assert_plain_speech(served.measure)


def has_most_salt(snapshot: Mapping[str, JSON]) -> bool:
    """Whether the water is nearly as salty as it will be."""
    salinity = snapshot.get("salinity")
    return isinstance(salinity, float) and salinity > MOST_SALT_PPT


def commands(served: ServedStation, verb: str) -> list[dict[str, JSON]]:
    """The facts of each command of a verb, as the journal has them."""
    facts = [dict(facts_in(each)) for each in served.station.events(Kind.COMMAND)]
    return [each for each in facts if each["verb"] == verb]


def test_a_question_is_answered_by_the_keyboard_alone(
    acting: ServedStation, windows: Windows
) -> None:
    """The probe hangs in air: a phone shows the question, and after a token its answer counts."""
    windows.expected = [UNAUTHORISED]
    page = windows.open(acting.address("/"), PHONE)
    seconds_until(page, "live")
    perform(acting.stage, IN_AIR)
    page.get_by_text("is the probe out of the water, or was the vessel refilled?").first.wait_for()
    photograph(page, "now-question-360")
    assert [] == violations(page)

    press(page, "The probe is out of the water")
    press(page, "Sign in")
    fill_in(page, "Token of this station", TOKEN)
    fill_in(page, "Your name", "kim")
    press(page, "Sign in")
    press(page, "The probe is out of the water")
    page.get_by_text("goes on once the same water is back").wait_for()
    photograph(page, "now-answered-360")
    assert [] == violations(page)
    perform(acting.stage, BACK)
    page.get_by_text("Suspended", exact=True).first.wait_for(state="hidden")

    assert [("kim", "page", True)] == [
        (each["who"], each["via"], each["ok"]) for each in commands(acting, "batch.answer")
    ]


def test_an_alarm_is_acknowledged_and_every_window_shows_it(
    acting: ServedStation, windows: Windows
) -> None:
    """The cable is pulled: one window acknowledges, and another one shows that without a reload."""
    desk, phone = windows.open(acting.address("/"), DESK), windows.open(acting.address("/"), PHONE)
    perform(acting.stage, OUT)
    for each in (desk, phone):
        each.get_by_text("Alarm: probe fault").wait_for()
    photograph(phone, "now-alarm-360")
    photograph(desk, "now-alarm-1280")
    assert [] == violations(phone)

    desk.goto(acting.address("/sign-in?here=/"))
    desk.get_by_label("Token of this station").fill(TOKEN)
    desk.get_by_label("Your name").fill("robin")
    desk.get_by_role("button", name="Sign in").click()
    desk.get_by_role("button", name="Acknowledge all").click()
    desk.get_by_text("(recorded under robin)").wait_for()
    photograph(desk, "now-acknowledged-1280")
    phone.get_by_text("(medium, acknowledged").first.wait_for()
    perform(acting.stage, IN)

    assert [("robin", True)] == [
        (each["who"], each["ok"]) for each in commands(acting, "alarm.acknowledge")
    ]


def test_a_note_is_written_by_the_keyboard_alone(acting: ServedStation, windows: Windows) -> None:
    """From the present to the acts and to the record, in which its markup stands as text."""
    windows.expected = [UNAUTHORISED]
    page = windows.open(acting.address("/"), DESK)
    press(page, "Acts")
    press(page, "Sign in")
    fill_in(page, "Token of this station", TOKEN)
    fill_in(page, "Your name", NAME)
    press(page, "Sign in")
    unfold(page, "Note")
    fill_in(page, "Note", TEXT[:NOTE_SIGNS])
    press(page, "Add the note")
    page.get_by_text("noted (recorded under").wait_for()
    photograph(page, "acts-noted-1280")
    press(page, "Batches")
    press(page, str(acting.station.picture()["batch"]))

    assert TEXT[:NOTE_SIGNS] in page.locator("main").inner_text()
    assert 0 == page.locator("#hostile").count()
    assert [NAME] == [each["who"] for each in commands(acting, "batch.note")]


def test_a_wrong_token_is_refused_beside_its_field(acting: ServedStation, windows: Windows) -> None:
    """In words, with the focus on it; nothing can be sent before."""
    windows.expected = [UNAUTHORISED]
    page = windows.open(acting.address("/sign-in"), PHONE)
    page.get_by_label("Token of this station").fill("not-it")
    page.get_by_label("Your name").fill("kim")
    page.get_by_role("button", name="Sign in").click()
    page.get_by_text("Sign in to act").wait_for()

    assert "true" == page.get_by_label("Token of this station").get_attribute("aria-invalid")
    assert [] == violations(page)
    page.goto(acting.address("/act"))
    assert 0 == page.get_by_role("button").count()
