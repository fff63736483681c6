"""A calibration that a person leads in a real window, from its references to the record."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from daemon.entries import JSON, Kind
from simulators.stage import perform
from tests.browser.liveness import seconds_until
from tests.browser.looks import photograph, violations, wider_than_window
from tests.browser.served import ServedStation, served_station
from tests.browser.windows import PHONE, TABLET, Windows
from tests.conftest import PATIENCE_S
from tests.parts.events import facts_in
from tests.services.service_parts import assert_plain_speech
from tests.services.test_calibrate import BACK, BOTTLE, IN_BOTTLE, a_stage

VERBS = [f"calibrate.{each}" for each in ("start", "confirm", "next", "retry", "abort")]
SPEED = 20.0
"""Times real time: a point settles in some seconds, so that its curve is seen."""


def wait_for_step(page: Page, name: str) -> None:
    """Wait until the page is at a step, as everybody is told."""
    expect(page.locator("[aria-current=step]")).to_contain_text(name, timeout=PATIENCE_S * 1000.0)


def press(page: Page, kind: str) -> None:
    """Press the button of a form, by what it is for."""
    page.locator(f"form[data-kind={kind}] .send button").click()


def saved(served: ServedStation) -> list[dict[str, JSON]]:
    """The records of calibrations in the journal."""
    facts = [dict(facts_in(each)) for each in served.station.events(Kind.CALIBRATION)]
    return [each for each in facts if "record" in each]


@pytest.fixture
def served(tmp_path: Path) -> Iterator[ServedStation]:
    """A station that measures, whose probe reads three per cent too much."""
    with served_station(tmp_path, a_stage(), *VERBS, speed=SPEED) as one:
        one.measure.start()
        one.station.wait_for_readings(3)
        yield one
        assert_plain_speech(one.measure)
        assert_plain_speech(one.publish)


def test_a_calibration_is_led_to_its_end(served: ServedStation, windows: Windows) -> None:
    """Step by step, with a live curve and a verdict before anything is saved; then it counts.

    A phone beside it follows without being touched.
    """
    page = windows.open(served.address("/calibrations/routine"), TABLET)
    phone = windows.open(served.address("/calibrations/routine"), PHONE)
    for each in (page, phone):
        seconds_until(each, "live")
    page.get_by_label("Your name, for the record").fill("kim")
    page.get_by_role("button", name="Remember it").click()
    page.get_by_text("Calibrate", exact=True).click()
    page.get_by_label("References").fill(BOTTLE)
    page.get_by_label("What runs on mains").check()
    press(page, "calibration-start")
    wait_for_step(page, "Rinse")
    photograph(page, "routine-rinse-1280")
    press(page, "calibration-confirm")
    wait_for_step(page, "Into the reference")
    perform(served.stage, IN_BOTTLE)
    press(page, "calibration-confirm")
    wait_for_step(page, "No bubbles")
    press(page, "calibration-confirm")
    page.locator(".settling-chart canvas").first.wait_for()
    photograph(page, "routine-settling-1280")
    photograph(phone, "routine-settling-360")
    page.locator("form[data-kind=calibration-next]").wait_for()
    press(page, "calibration-next")
    page.get_by_text("Nothing is saved yet.").wait_for()
    phone.get_by_text("Nothing is saved yet.").wait_for()
    photograph(page, "routine-verdict-1280")
    photograph(phone, "routine-verdict-360")
    assert ([], [], []) == (saved(served), violations(phone), wider_than_window(phone))
    press(page, "calibration-confirm")
    page.get_by_text("put the probe back").first.wait_for()
    perform(served.stage, BACK)
    press(page, "calibration-confirm")
    page.get_by_text("No calibration of it runs.").wait_for()
    page.goto(served.address("/calibrations"))
    page.get_by_text("In force").first.wait_for()
    photograph(page, "calibrations-after-1280")
    assert [] == violations(page)

    assert 1 == len(saved(served))
