"""The status page says how the water stands, plainly, and shows any text without obeying it."""

from __future__ import annotations

import re
from dataclasses import replace
from html import unescape
from html.parser import HTMLParser
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.entries import JSON, Follower, Phase
from daemon.html.environment import stylesheet
from daemon.mixing.alarm.alarm_state import LifecycleState
from daemon.page.healthz import health
from daemon.page.labels import ALARMS, PHASES, alarm_words, health_words
from daemon.page.metrics import exposition
from daemon.page.now.status_page import status_page
from daemon.page.view import AlarmView, ReservoirView, StationView
from tests.page.page_parts import alarm_view, display_settings, reservoir_view, station_view

TAGS = {
    *("html", "head", "meta", "title", "style", "body", "header", "main", "section", "footer"),
    *("h1", "h2", "p", "strong", "small", "div", "dl", "dt", "dd"),
    *("link", "script", "noscript", "a", "nav", "ul", "li", "span"),
    *("svg", "rect", "line", "circle", "text"),
}
ATTRIBUTES = {
    *("lang", "charset", "name", "content", "http-equiv", "class", "aria-label", "role"),
    *("viewbox", "x", "y", "x1", "y1", "x2", "y2", "cx", "cy", "r", "width", "height"),
    *("text-anchor", "rel", "href", "src", "type", "id", "tabindex", "aria-current"),
    *("data-stream", "data-live"),
}
ALONE = {"meta", "link"}


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
        self.labels += [
            str(value) for name, value in attrs if name == "aria-label" and tag == "section"
        ]
        if tag not in ALONE:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        """Close the last."""
        assert tag == self.open.pop()

    def handle_data(self, data: str) -> None:
        """Take in what it says; a style says nothing."""
        if self.open[-1:] != ["style"]:
            self.text += data


def read(view: StationView) -> Outline:
    """Read the page as a browser would."""
    found = Outline()
    found.feed(status_page(view))
    found.close()
    assert [] == found.open
    return found


def test_it_says_how_the_water_stands() -> None:
    """Phase in words, salinity with its uncertainty beside what is wanted, batch and ages."""
    said = read(station_view()).text

    for words in (
        "quarantine-wing",
        "mix-1",
        "Released: may be used",
        "33.90 ± 0.10 ppt",
        "k = 2",
        "34 ppt, tolerance interval 33 to 35 ppt",
        "24.50 °C",
        "mix-1-20310504",
        "90 min ago",
        "2 s ago",
        "2031-05-04 07:10 UTC",
    ):
        assert words in said
    assert "No fresh reading" not in said


def test_labels_are_those_of_the_vocabulary() -> None:
    """Target, last reading, and a conductivity as the instrument indicates it."""
    said = read(station_view()).text

    for words in ("Target34 ppt", "Last reading2 s ago", "51.00 mS/cm, as indicated"):
        assert words in said
    assert "Wanted" not in said


@pytest.mark.parametrize("phase", Phase)
def test_every_phase_has_words_of_its_own(phase: Phase) -> None:
    """No two phases look alike on the page."""
    assert PHASES[phase] in read(station_view(reservoir_view(phase=str(phase)))).text
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
    said = read(station_view(reservoir_view(age_s=age_s))).text

    assert words in said
    assert "No fresh readingmix-1: " in said
    assert "Last known: Released" in said
    assert "may be used" not in said
    assert said.strip().startswith("No fresh reading")


def test_a_reservoir_without_a_reading_says_so() -> None:
    """Rather than nothing."""
    assert (
        "mix-1: no reading yet"
        in read(station_view(ReservoirView(display_settings(), None, None))).text
    )


def test_an_alarm_says_why_and_what_to_do() -> None:
    """Where it stands too; it is in the title, which a browser shows when the page is not."""
    said = read(station_view(alarms=(alarm_view(), alarm_view("", name="storage-low")))).text

    for words in (
        "Alarm: batch off target (high, unacknowledged)",
        "32.4 ppt is outside 33 to 35",
        "What to do: correct the batch as advised, or discard it",
        "Alarm: storage low",
        "2 alarms - quarantine-wing",
    ):
        assert words in said


def test_a_shelved_alarm_takes_one_line() -> None:
    """By whom, until when and why, and that it is active; it is not counted as announced."""
    shelved = alarm_view(
        state="shelved", who="kim", until="2031-05-04T11:00:00.000Z", reason="pump on the bench"
    )
    said = read(station_view(alarms=(shelved,))).text

    assert (
        "Alarm batch off target: high, shelved, by kim, until 2031-05-04 11:00 UTC,"
        " pump on the bench; its condition is active" in said
    )
    assert "What to do" not in said
    assert "1 alarm" not in said


@pytest.mark.parametrize(
    "state", [each for each in LifecycleState if each is not LifecycleState.NORMAL]
)
def test_every_state_of_an_alarm_has_words(state: LifecycleState) -> None:
    """None is shown by its bare name."""
    assert (
        alarm_words(str(state)) in read(station_view(alarms=(alarm_view(state=str(state)),))).text
    )
    assert len(ALARMS) == len(set(ALARMS.values())) == len(LifecycleState) - 1


def test_a_suspect_reading_says_which_test_and_with_what_figure() -> None:
    """In words, beside the quality."""
    figures: dict[str, JSON] = {"rate_of_change": "0.70 °C within 10 s, more than 0.50"}
    said = read(station_view(reservoir_view(flag=3, quality_figures=figures))).text

    assert "suspect: rate of change (0.70 °C within 10 s, more than 0.50)" in said


def test_a_salinity_that_failed_is_not_shown_as_one() -> None:
    """It is called not usable, and no mark shows it inside or outside the limits."""
    said = read(station_view(reservoir_view(flag=4))).text

    assert "not usable: 33.90" in said
    assert "failed its quality tests" in said
    assert "within 33" not in said


@pytest.mark.parametrize(
    "salinity, phase, mark, words",
    [
        (33.9, "ready", "inside", "within 33 to 35 ppt"),
        (33.0, "ready", "inside", "within 33 to 35 ppt"),
        (32.3, "off_target", "outside", "outside 33 to 35 ppt"),
        (99.0, "off_target", "outside", "outside 33 to 35 ppt"),
        (12.0, "dissolving", "mixing", "outside 33 to 35 ppt"),
    ],
)
def test_the_strip_says_by_form_and_words_where_the_salinity_lies(
    salinity: float, phase: str, mark: str, words: str
) -> None:
    """Round inside and square outside; strong only where the water is steady and outside."""
    page = status_page(station_view(reservoir_view(salinity=salinity, phase=phase)))
    shape = "circle" if mark == "inside" else "rect"

    assert 1 == len(re.findall(f'<{shape} class="{mark}"', page))
    assert f"{words}</p>" in page
    assert (mark == "outside") is ('class="level outside"' in page)


def test_every_use_of_the_strong_colour_comes_with_another_form() -> None:
    """A weight, a shape, a border or a word; and no rule is green or red."""
    rules = re.findall(r"([^{}]+)\{([^}]*var\(--outside\)[^}]*)\}", stylesheet())

    assert rules
    assert not re.search(r"\b(red|green)\b", stylesheet())
    for names, body in rules:
        words_beside = (".level.outside", ".verdict.outside strong", ".gauge", ".chart")
        assert re.search(r"border|font-weight", body) or any(n in names for n in words_beside)


@pytest.mark.parametrize("age_s, strips", [(2.0, 1), (7200.0, 0)])
def test_an_old_reading_has_no_strip(age_s: float, strips: int) -> None:
    """Whether water is inside its limits now is not known from a reading of two hours ago."""
    page = status_page(station_view(reservoir_view(age_s=age_s)))

    assert strips == page.count("<svg")
    assert bool(strips) is ("last known, k = 2" not in page)


@pytest.mark.parametrize(
    "zone, steady, use_by, at",
    [
        (
            "Europe/Berlin",
            "2031-05-04 09:10 CEST",
            "2031-05-05 09:29 CEST",
            "2031-05-04 11:00:00 CEST",
        ),
        (
            "Pacific/Chatham",
            "2031-05-04 19:55 UTC+12:45",
            "2031-05-05 20:14 UTC+12:45",
            "2031-05-04 21:45:00 UTC+12:45",
        ),
    ],
)
def test_times_are_local_with_the_zone_named(zone: str, steady: str, use_by: str, at: str) -> None:
    """With summer time, and far from UTC; use-by is a day after release, 90 min ago."""
    one = replace(reservoir_view(), settings=replace(display_settings(), use_within_h=24.0))
    said = read(replace(station_view(one), zone=ZoneInfo(zone))).text

    assert f"Steady since{steady}" in said
    assert f"Use by{use_by}" in said
    assert f"As of {at}" in said


def test_a_probe_without_a_signal_is_normal() -> None:
    """NE 107 has four signals; none of them is normal."""
    assert "ct-1: normal" in read(station_view()).text
    assert "failure" == health_words("failure")


def test_nothing_comes_from_elsewhere() -> None:
    """Each address is one of its own: it works in a room without the internet."""
    page = status_page(station_view(alarms=(alarm_view(),)))
    addresses = re.findall(r'(?:src|href)="([^"]*)"', page)

    assert [] == re.findall(r"<img|<iframe|@import|url\(|https?:|\bon\w+=", page)
    assert [] == [each for each in addresses if not re.match(r"/(?!/)|#", each)]
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
        "batch": word,
        "advice": word,
        "stable_at": word,
        "expected_ready_at": word,
        "expected_ready_low": word,
        "expected_ready_high": word,
        "forecast_note": word,
        "probes_health": {word: word},
    }
    view = station_view(
        reservoir_view(name, facts=facts),
        alarms=(alarm_view(name, name=word, why=word, do=word), AlarmView(name, word, word, word)),
        followers=(Follower(word or "mqtt", 3, 400.0, error=word or "away"),),
    )
    for each in (
        view,
        station_view(ReservoirView(display_settings(name), None, None), trouble=trouble),
    ):
        page = read(each)
        assert TAGS >= page.tags
        assert ATTRIBUTES >= page.attributes
        assert [("".join(c if c.isprintable() else " " for c in name))] == page.labels
    assert ("".join(c if c.isprintable() else " " for c in word)) in read(view).text


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
def test_no_snapshot_breaks_the_page(facts: dict[str, JSON]) -> None:
    """A snapshot that another version wrote is shown as far as it goes."""
    view = station_view(reservoir_view(facts=facts))

    assert "mix-1" in unescape(status_page(view))
    assert health(view)[0]
    for accept in ("", "application/openmetrics-text"):
        assert exposition(view, accept)[0]


def test_health_is_that_of_every_reservoir() -> None:
    """One that is not read is enough for a no, and is named."""
    assert (True, "measuring goes on") == health(
        station_view(reservoir_view(), reservoir_view("mix-2"))
    )
    well, sentence = health(station_view(reservoir_view(), reservoir_view("mix-2", age_s=300.0)))

    assert not well
    assert "mix-2: the last reading is 5 min old" in sentence
    assert "mix-1" not in sentence
    assert (False, "no journal") == health(station_view(trouble="no journal"))


def test_what_a_publisher_fails_with_is_shown_as_text() -> None:
    """A broker's own words may hold anything; the name of the publisher likewise."""
    said = "<b>refused</b> & gone"
    view = station_view(
        followers=(Follower("mqtt", 3, 400.0, error=said), Follower("influx", 0, 0.0))
    )

    assert "mqtt is 3 entries behind: <b>refused</b> & gone" in read(view).text
    assert "<b>" not in status_page(view)
    assert "influx" not in read(view).text
