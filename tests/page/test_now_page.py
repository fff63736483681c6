"""The page says how the water stands, plainly, and shows any text without obeying it."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from daemon.entries import JSON, Phase
from daemon.html.environment import stylesheet
from daemon.mixing.alarm.alarm_state import LifecycleState
from daemon.page.healthz import health
from daemon.page.labels import ALARMS, PHASES, alarm_words, health_words, phase_words
from daemon.page.now.now_page import live_parts, now_page
from daemon.page.site import make_site
from daemon.page.sources import Sources
from daemon.page.static_files import static_file
from daemon.page.view import ReservoirView
from tests.page.outline_parts import read
from tests.page.page_parts import alarm_view, display_settings, reservoir_view, station_view


def test_it_says_how_the_water_stands() -> None:
    """Phase in words, salinity with its uncertainty beside what is wanted, batch and ages."""
    said = read(station_view()).text

    for words in (
        "quarantine-wing",
        "mix-1",
        "Released",
        "May be used; check with an independent instrument",
        "33.90 ± 0.10 ppt (practical salinity, k = 2)",
        "24.5 °C",
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


def test_what_people_call_things_is_shown_and_their_name_is_for_commands() -> None:
    """A label stands at the head of a panel; the command that answers takes the name."""
    question: dict[str, JSON] = {
        "text": "?", "why": "air", "since": "2031-05-04T08:48:00.000Z", "answers": ["refilled"],
    }  # fmt: skip
    one = reservoir_view(question=question)
    labelled = replace(one, settings=replace(display_settings(), label="Big vessel by the door"))
    page = read(replace(station_view(labelled), title="Quarantine wing"))

    assert ["Big vessel by the door"] == page.labels
    assert "Now - Quarantine wing" in page.text
    assert "brinewright batch answer --reservoir mix-1 refilled" in page.text


@pytest.mark.parametrize("phase", Phase)
def test_every_phase_has_words_of_its_own(phase: Phase) -> None:
    """No two phases look alike on the page."""
    said, text = read(station_view(reservoir_view(phase=str(phase)))).text, PHASES[phase]

    assert f"{text.word}\n" in said
    assert text.sentence[1:] in said
    assert len(Phase) == len({each.word for each in PHASES.values()})


def test_only_one_phase_says_that_water_may_be_used() -> None:
    """Nobody is told to use what is not released."""
    assert [Phase.READY] == [
        each for each in Phase if re.search(r"(?<!not )to be used|may be used", phase_words(each))
    ]


@pytest.mark.parametrize(
    "age_s, words, act",
    [
        (61.0, "The last reading is 61 s old", "Is 'brinewright run' running?"),
        (7200.0, "The last reading is 2 h old", "Is 'brinewright run' running?"),
        (-400.0, "The last reading is 7 min ahead of the clock", "Check the clock."),
    ],
)
def test_old_readings_are_called_old(age_s: float, words: str, act: str) -> None:
    """In plain words before anything else, and the phase is what was last known."""
    said = read(station_view(reservoir_view(age_s=age_s))).text

    assert f"{words}." in said
    assert f"What to do\n{act}" in said
    assert "Old reading" in said
    assert "Last known: Released" in said
    assert "last known\n" in said
    assert "may be used" not in said.lower()
    assert said.strip().startswith("No fresh reading")


def test_a_reservoir_without_a_reading_says_so() -> None:
    """Rather than nothing."""
    said = read(station_view(ReservoirView(display_settings(), None, None))).text

    assert "No reading" in said
    assert "No reading yet." in said
    assert "What to do\nIs 'brinewright run' running?" in said


def test_without_a_journal_every_reservoir_says_what_to_do() -> None:
    """No state is made up, and nothing is said of a reading that nobody looked for."""
    never = ReservoirView(display_settings(), None, None)
    said = read(station_view(never, trouble="nothing has been measured yet; start it")).text

    assert "The journal cannot be read" in said
    assert "Nothing has been measured yet; start it." in said
    assert "What to do\nStart it." in said
    assert "No reading yet" not in said


def test_an_alarm_says_why_and_what_to_do() -> None:
    """Where it stands too; it is in the title, which a browser shows when the page is not."""
    said = read(station_view(alarms=(alarm_view(), alarm_view("", name="storage-low")))).text

    for words in (
        "Alarm: batch off target (high, unacknowledged)",
        "32.4 ppt is outside 33 to 35",
        "What to do\nCorrect the batch as advised, or discard it",
        "Alarm: storage low",
        "What to do: Correct the batch as advised, or discard it",
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
        "Alarm: batch off target (high, shelved, by kim, until 2031-05-04 11:00 UTC,"
        " pump on the bench; its condition is active)" in said
    )
    assert "discard it" not in said
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

    assert re.search(r"not usable\s+Salinity\s+33.90", said)
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
    """Round inside, square outside, an arrow beyond; strong only where steady water is outside."""
    page = now_page(station_view(reservoir_view(salinity=salinity, phase=phase)))
    (bubble,) = re.findall(r'<path class="(?:bubble|arrow)" d="([^"]*)"', page)

    assert {"inside": 4, "outside": 2, "mixing": 0}[mark] >= bubble.count("A")
    assert (mark == "inside") is (bubble.count("A") > 2)
    assert f'<svg class="gauge {mark}"' in page
    assert re.search(f">{words}[^<]*</p>", page)
    assert (mark == "outside") is ('class="salinity outside"' in page)


BESIDE = {
    "documents": (".verdict.outside strong", ".chart"),
    # The sign is a word and a shape; under the salinity stands where it lies; forms of their own.
    "now": (".sign.strong", ".salinity.outside .value", ".gauge.outside", ".flag"),
}
"""Rules in whose place something else says the same as the strong colour."""


@pytest.mark.parametrize("sheet", BESIDE)
def test_every_use_of_the_strong_colour_comes_with_another_form(sheet: str) -> None:
    """A weight, a shape, a border or a word; and no rule is green or red."""
    found = static_file("now.css")
    assert found is not None
    text = stylesheet() if sheet == "documents" else found.body.decode()
    rules = re.findall(r"([^{}]+)\{([^}]*var\(--outside\)[^}]*)\}", text)

    assert rules
    assert not re.search(r"\b(red|green)\b", text)
    for names, body in rules:
        assert re.search(r"border|font-weight", body) or any(n in names for n in BESIDE[sheet])


@pytest.mark.parametrize("age_s, strips", [(2.0, 1), (7200.0, 0)])
def test_an_old_reading_has_no_strip(age_s: float, strips: int) -> None:
    """Whether water is inside its limits now is not known from a reading of two hours ago."""
    page = now_page(station_view(reservoir_view(age_s=age_s)))

    assert strips == page.count('class="gauge')
    assert bool(strips) is ("last known" not in page)


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
    page = now_page(station_view(alarms=(alarm_view(),)))
    addresses = re.findall(r'(?:src|href)="([^"]*)"', page)

    assert [] == re.findall(r"<img|<iframe|@import|url\(|https?:|\bon\w+=", page)
    assert [] == [each for each in addresses if not re.match(r"/(?!/)|#", each)]
    assert 'http-equiv="refresh"' in page


def test_every_live_part_is_in_the_page_as_it_is_sent() -> None:
    """So a page that was loaded and one that was kept live say the same."""
    view = station_view(
        reservoir_view(), reservoir_view("mix-2", phase="off_target"), alarms=(alarm_view(),)
    )
    page, parts = now_page(view), live_parts(view)

    assert re.findall('data-part="([^"]*)"', page) == list(
        dict.fromkeys(re.findall('data-part="([^"]*)"', page))
    )
    assert {*parts} == {*re.findall('data-part="([^"]*)"', page)}
    for name, markup in parts.items():
        assert f'data-part="{name}">{markup}</' in page


def test_the_page_follows_a_stream_of_its_own() -> None:
    """Whose parts are those of the page, for each view anew."""
    views = [station_view(), station_view(reservoir_view(phase="off_target"))]
    site = make_site(Sources(station_view, Path("no-journal.db")))
    stream = site.live.streams["now"]

    assert 'data-stream="now"' in now_page(views[0])
    assert [live_parts(each) for each in views] == [stream.compose(each) for each in views]
    assert "Off target" in stream.compose(views[1])["reservoir-1-sign"]


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
