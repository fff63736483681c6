"""The status page says how the water stands, plainly, and shows any text without obeying it."""

from __future__ import annotations

import re
from html import unescape
from html.parser import HTMLParser

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.entries import JSON, Follower, Phase
from daemon.mixing.alarm.transitions import Life
from daemon.page.healthz import health, span
from daemon.page.labels import ALARMS, PHASES, alarm_words
from daemon.page.metrics import exposition
from daemon.page.status_page import STYLE, status_page
from daemon.page.view import Present, Seen, Shown
from tests.page.page_parts import expected, present, seen, standing

TAGS = {
    *("html", "head", "meta", "title", "style", "body", "header", "main", "section", "footer"),
    *("h1", "h2", "p", "strong", "div", "dl", "dt", "dd"),
}
ATTRIBUTES = {"lang", "charset", "name", "content", "http-equiv", "class", "aria-label"}
ALONE = {"meta"}


class Outline(HTMLParser):
    """What a page is made of, what it says, and whether its tags close in order."""

    def __init__(self) -> None:
        """Begin with nothing."""
        super().__init__()
        self.tags: set[str] = set()
        self.attributes: set[str] = set()
        self.labels: list[str] = []
        self.open: list[str] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Take one in."""
        self.tags.add(tag)
        self.attributes |= {name for name, _ in attrs}
        self.labels += [str(value) for name, value in attrs if name == "aria-label"]
        if tag not in ALONE:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        """Close the last."""
        assert tag == self.open.pop()

    def handle_data(self, data: str) -> None:
        """Take in what it says; a style says nothing."""
        if self.open[-1:] != ["style"]:
            self.text += data


def read(shown: Present) -> Outline:
    """Read the page as a browser would."""
    found = Outline()
    found.feed(status_page(shown))
    found.close()
    assert [] == found.open
    return found


def test_it_says_how_the_water_stands() -> None:
    """Phase in words, salinity with its uncertainty beside what is wanted, batch and ages."""
    said = read(present()).text

    for words in (
        "quarantine-wing",
        "mix-1",
        "Released: may be used",
        "33.90 ± 0.10 ppt (k=2)",
        "34 ± 1 ppt",
        "24.50 °C",
        "mix-1-20310504",
        "90 min ago",
        "2 s ago",
        "2031-05-04 07:10 UTC",
    ):
        assert words in said
    assert "not the present" not in said


@pytest.mark.parametrize(
    "phase, label, other",
    [
        (Phase.DISSOLVING, "Expected steady", "Steady since"),
        (Phase.READY, "Steady since", "Expected steady"),
        (Phase.BLANK, "", "teady"),
    ],
)
def test_a_forecast_is_not_called_a_fact(phase: Phase, label: str, other: str) -> None:
    """While salt dissolves the moment lies ahead, and the label says so."""
    said = read(present(seen(phase=str(phase)))).text

    assert not label or f"{label}2031-05-04 07:10 UTC" in said
    assert other not in said


def test_labels_are_those_of_the_vocabulary() -> None:
    """Target, last reading, and a conductivity as the instrument indicates it."""
    said = read(present()).text

    for words in ("Target34 ± 1 ppt", "Last reading2 s ago", "51.00 mS/cm, as indicated"):
        assert words in said
    assert "Wanted" not in said


@pytest.mark.parametrize("phase", Phase)
def test_every_phase_has_words_of_its_own(phase: Phase) -> None:
    """No two phases look alike on the page."""
    assert PHASES[phase] in read(present(seen(phase=str(phase)))).text
    assert len(Phase) == len(set(PHASES.values()))


def test_only_one_phase_says_that_water_may_be_used() -> None:
    """Nobody is told to use what is not released."""
    assert [Phase.READY] == [
        each for each in Phase if re.search(r"(?<!not )to be used|may be used", PHASES[each])
    ]


@pytest.mark.parametrize(
    "age_s, words",
    [
        (61.0, "the last reading is 61 s old"),
        (7200.0, "the last reading is 2 h old"),
        (-400.0, "the last reading is 7 min ahead of the clock; check the clock"),
    ],
)
def test_old_readings_are_called_old(age_s: float, words: str) -> None:
    """In plain words before anything else, and the phase is what was last known."""
    said = read(present(seen(age_s=age_s))).text

    assert words in said
    assert "This is not the present" in said
    assert "Last known: Released" in said
    assert "may be used" not in said
    assert said.strip().startswith("No fresh reading")


def test_a_reservoir_without_a_reading_says_so() -> None:
    """Rather than nothing."""
    assert "mix-1: no reading yet" in read(present(Seen(expected(), None, None))).text


def test_an_alarm_says_why_and_what_to_do() -> None:
    """Where it stands too; it is in the title, which a browser shows when the page is not."""
    said = read(present(alarms=(standing(), standing("", name="storage-low")))).text

    for words in (
        "Alarm: batch off target (high, nobody has acknowledged it yet)",
        "32.4 ppt is outside 33 to 35",
        "What to do: correct the batch as advised, or discard it",
        "Alarm: storage low",
        "2 alarms - quarantine-wing",
    ):
        assert words in said


def test_a_withheld_alarm_is_told_in_a_line() -> None:
    """By whom, until when and why, and that it would stand; it is not counted as one that does."""
    shelved = standing(
        state="shelved", who="kim", until="2031-05-04T11:00:00.000Z", reason="pump on the bench"
    )
    said = read(present(alarms=(shelved,))).text

    assert (
        "Alarm batch off target: high, put aside for a time, by kim, until 2031-05-04 11:00 UTC,"
        " pump on the bench; its condition is there now" in said
    )
    assert "What to do" not in said
    assert "1 alarm" not in said


@pytest.mark.parametrize("state", [each for each in Life if each is not Life.NORMAL])
def test_every_state_of_an_alarm_has_words(state: Life) -> None:
    """None is shown by its bare name."""
    assert alarm_words(str(state)) in read(present(alarms=(standing(state=str(state)),))).text
    assert len(ALARMS) == len(set(ALARMS.values())) == len(Life) - 1


def test_a_salinity_that_failed_is_not_shown_as_one() -> None:
    """It is said not to be believed."""
    said = read(present(seen(flag=4))).text

    assert "not to be believed: 33.90" in said
    assert "failed its quality tests" in said


def test_nothing_is_told_by_colour() -> None:
    """The style sets none: what differs, differs in words and in lines."""
    assert not re.search(r"(?<!-)\bcolor:|background|fill", STYLE)


def test_nothing_comes_from_elsewhere() -> None:
    """No script, no picture, no address: it works in a room without the internet."""
    page = status_page(present(alarms=(standing(),)))

    assert [] == re.findall(r"<script|<link|<img|<iframe|@import|url\(|https?:|\bon\w+=", page)
    assert 'http-equiv="refresh"' in page


WORDS = st.one_of(
    st.text(st.characters(codec=None), max_size=60),
    st.sampled_from(
        [
            "<script>alert(1)</script>",
            '"><img src=x onerror=alert(1)>',
            "</style></title><h3>",
            "' onmouseover='x",
            "&lt;b&gt;&amp;&#60;",
            "\u202e\u0000\x1b[2J",
            "half a pair: \ud800",
        ]
    ),
)


@given(WORDS, WORDS, WORDS)
def test_no_text_is_taken_for_the_page_itself(name: str, word: str, trouble: str) -> None:
    """Whatever an instrument, a command or a name says is shown, and only shown."""
    facts: dict[str, JSON] = {
        "phase": word,
        "batch": word,
        "advice": word,
        "stable_at": word,
        "probes_health": {word: word},
    }
    shown = present(
        seen(name, facts=facts),
        alarms=(standing(name, name=word, why=word, do=word), Shown(name, word, word, word)),
        followers=(Follower(word or "mqtt", 3, 400.0, error=word or "away"),),
    )
    for each in (shown, present(Seen(expected(name), None, None), trouble=trouble)):
        page = read(each)
        assert TAGS >= page.tags
        assert ATTRIBUTES >= page.attributes
        assert [("".join(c if c.isprintable() else " " for c in name))] == page.labels
    assert ("".join(c if c.isprintable() else " " for c in word)) in read(shown).text


@given(
    st.dictionaries(
        st.sampled_from(
            ["salinity", "salinity_u", "flag", "age_h", "phase", "time", "temperature_C"]
        ),
        st.none()
        | st.booleans()
        | st.floats(allow_nan=True)
        | st.text(max_size=9)
        | st.lists(st.integers(), max_size=2),
    )
)
def test_no_picture_breaks_the_page(facts: dict[str, JSON]) -> None:
    """A picture that another version wrote is shown as far as it goes."""
    shown = present(seen(facts=facts))

    assert "mix-1" in unescape(status_page(shown))
    assert health(shown)[0]
    for accept in ("", "application/openmetrics-text"):
        assert exposition(shown, accept)[0]


@pytest.mark.parametrize(
    "duration_s, words",
    [(0.0, "0 s"), (119.0, "119 s"), (120.0, "2 min"), (7200.0, "2 h"), (172_800.0, "2 days")],
)
def test_spans_are_in_the_unit_of_their_size(duration_s: float, words: str) -> None:
    """As a person would say it."""
    assert words == span(duration_s)


def test_health_is_that_of_every_reservoir() -> None:
    """One that is not read is enough for a no, and is named."""
    assert (True, "measuring goes on") == health(present(seen(), seen("mix-2")))
    well, sentence = health(present(seen(), seen("mix-2", age_s=300.0)))

    assert not well
    assert "mix-2: the last reading is 5 min old" in sentence
    assert "mix-1" not in sentence
    assert (False, "no journal") == health(present(trouble="no journal"))


def test_what_a_publisher_fails_with_is_shown_as_text() -> None:
    """A broker's own words may hold anything; the name of the publisher likewise."""
    said = "<b>refused</b> & gone"
    shown = present(followers=(Follower("mqtt", 3, 400.0, error=said), Follower("influx", 0, 0.0)))

    assert "mqtt is 3 entries behind: <b>refused</b> & gone" in read(shown).text
    assert "<b>" not in status_page(shown)
    assert "influx" not in read(shown).text
