"""A simulated batch in real windows: watched to its release, then seen on every size of screen."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import pytest
from playwright.sync_api import Browser

from daemon.entries import Phase
from daemon.page.labels import PHASES
from tests.browser.liveness import is_marked, mark, seconds_until
from tests.browser.looks import (
    FOLDER,
    TWO_METRES,
    height_and_foot,
    photograph,
    photograph_theme,
    violations,
    wider_than_window,
)
from tests.browser.pages import PAGES, path_of
from tests.browser.served import ServedStation, served_station, stage_of
from tests.browser.windows import PHONE, TABLET, THEMES, UPRIGHT, WALL, Theme, Windows, windows_of
from tests.services.service_parts import assert_plain_speech

SIZES = {360: PHONE, 768: UPRIGHT, 1280: TABLET, 3840: WALL}
LOOKED_AT: dict[int, tuple[Theme, ...]] = {
    360: ("light", "dark"),
    768: ("dark",),
    1280: ("dark", "light"),
    3840: ("light",),
}
"""Of which pictures are kept where nobody asks for all; the last one is held to the rules."""
HELD_TO_RULES = (360, 1280)
WORD, VALUE = ".sign .word", ".salinity .value"
KEEP_WORDS = """word => {
    const words = window.brinewrightWords = [];
    const keep = () => {
        const text = document.querySelector(word)?.textContent.trim();
        if (text && text !== words.at(-1)) words.push(text);
    };
    keep();
    new MutationObserver(keep).observe(document.body, { childList: true, subtree: true });
}"""
"""Keeps each state that the page showed, in order."""


@dataclass
class Watched:
    """A batch that has been released while a window was open.

    Attributes:
        served: The station.
        words: Each state that the window showed, in order.
        stayed: Whether the window was never loaded again.
    """

    served: ServedStation
    words: list[str]
    stayed: bool

    def path(self, name: str) -> str:
        """The address of a page of the station."""
        return self.served.address(path_of(name, str(self.served.station.picture()["batch"])))


@pytest.fixture(scope="module")
def watched(tmp_path_factory: pytest.TempPathFactory, browser: Browser) -> Iterator[Watched]:
    """A batch, watched from purified water to its release."""
    folder = tmp_path_factory.mktemp("watched")
    with served_station(folder, stage_of("plain-batch"), "alarm.acknowledge") as served:
        with windows_of(browser) as windows:
            page = windows.open(served.address(), TABLET)
            seconds_until(page, "live")
            mark(page)
            page.evaluate(KEEP_WORDS, WORD)
            served.measure.start()
            served.wait_for_phase(Phase.DISSOLVING)
            page.get_by_text(PHASES[Phase.DISSOLVING].word, exact=True).first.wait_for()
            photograph(page, "now-dissolving")
            served.wait_for_phase(Phase.READY)
            page.get_by_text(PHASES[Phase.READY].word, exact=True).first.wait_for()
            words = page.evaluate("window.brinewrightWords")
            stayed = is_marked(page)
        yield Watched(served, words, stayed)
        assert_plain_speech(served.publish)
        assert_plain_speech(served.measure)


def test_a_batch_is_watched_without_a_reload(watched: Watched) -> None:
    """From purified water over salt that dissolves to released, in one window, each once."""
    # In so fast a story verifying may be over before the page is sent anything.
    course = [PHASES[each].word for each in (Phase.BLANK, Phase.DISSOLVING, Phase.READY)]

    assert course == [each for each in watched.words if each in course]
    assert PHASES[Phase.READY].word == watched.words[-1]
    assert watched.stayed


@pytest.mark.parametrize("size", [TABLET, UPRIGHT], ids=["lying", "upright"])
def test_state_and_salinity_are_read_from_two_metres(
    watched: Watched, windows: Windows, size: tuple[int, int]
) -> None:
    """On a tablet their letters are at least a twentieth of its height, above the fold."""
    page = windows.open(watched.path("now"), size)

    for selector in (WORD, VALUE):
        height, foot = height_and_foot(page, selector)
        assert height >= TWO_METRES
        assert foot <= 1.0


@pytest.mark.parametrize("width", SIZES)
def test_everybody_can_use_every_page_in_every_window(
    watched: Watched, windows: Windows, width: int
) -> None:
    """Nothing scrolls sideways, and nothing is against WCAG 2.2 AA, by light or by dark.

    What depends on the width is measured at each, what depends on the colours by each of both.
    """
    page = windows.open(watched.path("now"), SIZES[width])
    found: dict[str, list[str]] = {}
    for name in PAGES:
        page.goto(watched.path(name))
        seconds_until(page, "live")
        found[name] = wider_than_window(page)
        for theme in (*(THEMES if FOLDER else ()), *LOOKED_AT[width]):
            photograph_theme(page, f"{name}-{width}", theme)
        if width in HELD_TO_RULES:
            found[name] += violations(page)

    assert {} == {name: each for name, each in found.items() if each}
