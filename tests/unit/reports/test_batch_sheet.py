"""The sheet of a batch: what it says, that it says it truly, and that nothing slips through."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from html import unescape
from html.parser import HTMLParser
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.entries import JSON, Event, Instant, Kind
from daemon.html.environment import stylesheet
from daemon.journal.event_codec import body_of
from daemon.mixing.batch.batch_record import BatchRecord, records
from daemon.mixing.cautions import INDEPENDENT_CHECK
from daemon.mixing.events import CommandAnswered
from daemon.records.batch_curve import Point
from daemon.records.batch_setup import Setup
from daemon.reports.batch_sheet import render, select_events

START = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
SETUP = Setup(
    station="quarantine-wing",
    target_ppt=34.0,
    tolerance_ppt=1.0,
    release_confidence=0.95,
    use_within_h=24.0,
    lot="blue-7",
    lot_number="L 4471-B",
    mix_g=7310.0,
    salt_content=0.868,
    salt_content_u=0.006,
    water_l=180.0,
    heel_l=20.0,
    heel_salinity=33.8,
)


def at(minute: float) -> Instant:
    """So many minutes after the start."""
    return Instant(START + timedelta(minutes=minute), minute * 60.0, "boot-1")


def event(minute: float, kind: Kind, **facts: JSON) -> Event:
    """An event of the batch mix-1-1."""
    return Event("mix-1", at(minute), "mix-1-1", body_of(kind, facts))


def phase(minute: float, to: str, why: str = "seen", **facts: JSON) -> Event:
    """A change of phase of the batch mix-1-1."""
    return event(minute, Kind.PHASE, **{"from": "idle", "to": to, "why": why}, **facts)


def command(
    minute: float,
    verb: str,
    who: str = "kim",
    *,
    via: str = "page",
    ok: bool = True,
    answer: str = "it is in the record",
    **arguments: JSON,
) -> Event:
    """A command about the batch mix-1-1, with its answer."""
    body = CommandAnswered(arguments, f"id-{minute}", verb, who, via, ok, answer)
    return Event("mix-1", at(minute), "mix-1-1", body)


EVENTS = [
    event(0, Kind.BATCH, what="began", salinity=0.05),
    phase(0, "blank"),
    command(6, "batch.start", "morning shift", via="cli", answer="batch is being mixed"),
    phase(8, "dissolving"),
    event(20, Kind.FORECAST, stable_at="x"),
    event(30, Kind.STABILISED, salinity=34.02, salinity_u=0.09),
    phase(30, "verifying"),
    phase(36, "ready", "34.02 ± 0.18 ppt (k=2) is within 33 to 35 ppt", probability=0.9971),
    command(40, "batch.note", text="clear"),
]


def record_of(*more: Event) -> BatchRecord:
    """The batch of `EVENTS`, and what came after."""
    return records([*EVENTS, *more])[0]


def risen(minute: float) -> float:
    """Salinity after so many minutes, with salt from the eighth on."""
    return 34.0 * (1 - math.exp(-max(minute - 8, 0) / 4))


def rise(minutes: float = 50.0) -> list[Point]:
    """Readings every ten seconds of a batch that rises to 34 from minute 8 on."""
    times = [n / 6 for n in range(int(minutes * 6))]
    return [Point(START + timedelta(minutes=m), risen(m), 0.09, 24.6, 10.0) for m in times]


def words(html: str) -> str:
    """What a person reads of a page, without its style, in one line."""
    return " ".join(unescape(re.sub(r"<[^>]*>", " ", html[html.index("</style>") :])).split())


class Tags(HTMLParser):
    """The tags of a page with their attributes, and its text."""

    def __init__(self, html: str) -> None:
        """Read the page."""
        super().__init__()
        self.tags: list[str] = []
        self.names: set[str] = set()
        self.text = ""
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Take one tag."""
        self.tags.append(tag)
        self.names |= {name for name, _ in attrs}

    def handle_data(self, data: str) -> None:
        """Take text."""
        self.text += data


@pytest.mark.parametrize(
    "part",
    [
        "mix-1-1 quarantine-wing, mix-1",
        "Lot blue-7",
        "Lot number L 4471-B",
        "Mass of mix 7310 g",
        "Salt content 0.868 ± 0.012 g/g (k = 2)",
        "Water before salt 180 L",
        "Heel included 20 L at 33.80 ppt",
        "Temperature 24.6 °C when steady",
        "Salinity 34.02 ± 0.18 ppt k = 2",
        "Specific gravity 1.0256 25/25 °C",
        "Tolerance interval 33 to 35 ppt target 34 ppt",
        "Conformance probability 0.9971 release asks for 0.95",
        "Released 2026-03-02 08:36 UTC",
        "Use by 2026-03-03 08:36 UTC (24 h)",
        "Steady since 2026-03-02 08:30 UTC",
        "Changes after steady none",
        "Status ready",
        "morning shift (cli)",
        "batch.start by morning shift: batch is being mixed",
        "03-02 08:40 UTC, kim (page) clear",
        f"Released {INDEPENDENT_CHECK}",
        "where the two disagree, do not use the water",
        "Name and signature",
    ],
)
def test_the_sheet_says_all_that_is_known(part: str) -> None:
    """Lot, masses, water, times, decision with figures, who and when, cautions."""
    assert part in words(render(record_of(), rise(), SETUP))


@pytest.mark.parametrize(
    "more, verdict",
    [
        ([], f"Released {INDEPENDENT_CHECK}"),
        ([phase(50, "off_target")], "Off target outside the tolerance limits: not for use"),
        ([phase(50, "stale")], "Expired do not use before it has been verified again"),
        ([phase(50, "dissolving")], "Not released status: dissolving"),
        ([event(50, Kind.BATCH, what="ended", how="used", by="seen refilled")], "Used"),
        ([event(50, Kind.BATCH, what="ended", how="discarded", by="x")], "Discarded not for use"),
    ],
)
def test_the_verdict_is_the_last_one(more: list[Event], verdict: str) -> None:
    """Water that was released and then changed is not called released."""
    html = render(record_of(*more), rise(), SETUP)
    box = html[html.index('<div class="verdict') :]

    assert words(f"</style>{box[: box.index('</div>')]}") == verdict


@pytest.mark.parametrize(
    "to, outside", [("ready", False), ("off_target", True), ("stale", True), ("dissolving", True)]
)
def test_water_that_is_not_for_use_is_marked_by_form_and_words(to: str, *, outside: bool) -> None:
    """The strong colour comes with another border and with a word, never alone."""
    html = render(record_of(phase(50, to)), rise(), SETUP)

    assert outside is ('class="verdict outside"' in html)
    assert re.search(r"\.verdict\.outside \{[^}]*border: 3px double", stylesheet())


def test_a_batch_used_without_release_is_called_so() -> None:
    """The sheet does not bless what the station never released."""
    ended = event(50, Kind.BATCH, what="ended", how="used", by="morning shift")

    assert "Used without release" in render(records([EVENTS[0], ended])[0], [], SETUP)


def test_the_probability_is_computed_where_no_event_tells_it() -> None:
    """34.02 with u 0.5 within 33 to 35 by the normal distribution: 0.9543."""
    events = [EVENTS[0], event(30, Kind.STABILISED, salinity=34.02, salinity_u=0.5)]

    # Phi(1.96) - Phi(-2.04) = 0.97500 - 0.02068, from a table of the normal distribution.
    assert "Conformance probability 0.9543" in words(render(records(events)[0], [], SETUP))


def test_what_was_not_recorded_is_called_so() -> None:
    """A bare batch gives a sheet too, with no figure made up."""
    shown = words(render(records(EVENTS[:1])[0], [], Setup()))

    assert "Not released status: idle" in shown
    assert "never steady" in shown
    assert "no readings of this batch are kept" in shown
    # Use by, the tolerance interval, and seven of what it was made of.
    assert 9 == shown.count("not recorded")


def test_facts_of_another_version_do_not_stop_the_sheet() -> None:
    """An event that cannot be worded is shown as it is written."""
    html = render(records([EVENTS[0], event(1, Kind.ADVICE, other="thing")])[0], [], Setup())

    assert "other thing" in html


def test_what_another_version_wrote_is_not_put_down_to_the_station() -> None:
    """Who did it is among its facts, if it is known at all."""
    rows = [EVENTS[0], event(1, Kind.COMMAND, verb="batch.note", who="kim")]
    shown = words(render(records(rows)[0], [], Setup()))

    assert "– verb batch.note, who kim" in shown


@pytest.mark.parametrize(
    "zone, title, released, event_time",
    [
        (
            "Europe/Berlin",
            "Times: Europe/Berlin (UTC+01:00, then UTC+02:00).",
            "Released 2026-03-29 03:06 CEST",
            "03-29 01:30:00 CET",
        ),
        (
            "Pacific/Chatham",
            "Times: Pacific/Chatham (UTC+13:45).",
            "Released 2026-03-29 14:51 UTC+13:45",
            "03-29 14:15:00 UTC+13:45",
        ),
        ("America/St_Johns", "(UTC-02:30)", "Released 2026-03-28 22:36 NDT", "22:00:00 NDT"),
    ],
)
def test_times_are_local_with_the_zone_named(
    zone: str, title: str, released: str, event_time: str
) -> None:
    """Over the night in which the clock goes forward, and far from UTC."""
    shift = datetime(2026, 3, 29, 0, 30, tzinfo=UTC) - START
    moved = [replace(e, at=replace(e.at, wall=e.at.wall + shift)) for e in EVENTS]
    curve = [replace(point, wall=point.wall + shift) for point in rise()]
    shown = words(render(records(moved)[0], curve, replace(SETUP, zone=ZoneInfo(zone))))

    assert [] == [each for each in (title, released, event_time) if each not in shown]


@pytest.mark.parametrize("count", [1, 9, 60])
def test_no_note_is_cut_or_left_out(count: int) -> None:
    """However many there are and however long: every word of each is on the sheet."""
    texts = [f"note {n}: " + " ".join(f"word{n}x{m}" for m in range(150)) for n in range(count)]
    notes = [command(50 + n, "batch.note", text=text) for n, text in enumerate(texts)]
    shown = words(render(record_of(*notes), rise(), SETUP))

    assert [] == [text for text in texts if text not in shown]


def test_a_note_that_was_rejected_is_no_note() -> None:
    """It is among the events, with what was answered."""
    refused = command(50, "batch.note", ok=False, answer="no such batch", text="x y")
    shown = words(render(record_of(refused), rise(), SETUP))

    assert "kim x y" not in shown
    assert "rejected: no such batch (x y)" in shown


@given(st.text(max_size=80), st.lists(st.text(max_size=60), max_size=5))
def test_no_words_ever_become_a_tag(word: str, notes: list[str]) -> None:
    """Whatever is written in a name, note or fact, the page has the same tags."""
    hostile = f"<script>alert(1)</script>\"'--><img src=x onerror=y>{word}"

    def page(name: str, lines: list[str]) -> Tags:
        record = record_of(
            command(50, name, name, via=name, note=name),
            phase(51, name, name),
            *(command(52, "batch.note", name, text=line) for line in lines),
        )
        record.id, record.reservoir = name, name
        setup = replace(SETUP, station=name, lot=name, lot_number=name)
        return Tags(render(record, rise(), setup))

    plain, found = page("a", ["a" for _ in notes]), page(hostile, [hostile + n for n in notes])

    # A long note opens the second side, which has tags of its own.
    assert set(plain.tags) == set(found.tags)
    assert plain.names == found.names


def test_hostile_words_are_shown_as_they_are() -> None:
    """They are escaped, not swallowed; what cannot be printed or turns text round is blank."""
    text = "<b>salt</b> & \u202ewater\x00again"
    note = command(50, "batch.note", text=text)

    assert "<b>salt</b> & water again" in words(render(record_of(note), [], SETUP))


def test_the_page_needs_nothing_from_elsewhere() -> None:
    """No script, no link, no picture, no address: it prints without a network."""
    html = render(record_of(), rise(), SETUP)
    found = Tags(html)

    assert not {"script", "link", "img", "iframe", "object", "a"} & set(found.tags)
    assert not {"src", "href", "onload", "style"} & found.names
    assert "default-src 'none'" in html
    assert not re.search(r"https?:|url\(|@import", html)


def test_forecasts_are_left_out_first_and_the_rest_by_weight() -> None:
    """What a person did and what was decided outlasts alarms and devices."""
    events = [event(n, Kind.DEVICE, state="working") for n in range(5)]
    events += [event(n, Kind.ALARM, name="a", what="raised") for n in range(5)]
    events += [phase(n, "ready") for n in range(10)]
    shown, left_out = select_events([event(0, Kind.FORECAST), *events])

    assert [Kind.PHASE] * 10 == [each.kind for each in shown if each.kind is Kind.PHASE]
    assert Kind.DEVICE not in {each.kind for each in shown}
    assert 21 == len(shown) + left_out


def test_of_too_many_the_beginning_and_the_end_stay() -> None:
    """How a batch began and how it ended are both on the sheet."""
    shown, left_out = select_events([phase(n, "ready") for n in range(40)])

    assert [0, 1, 2, 3, *range(32, 40)] == [round(each.at.mono_s / 60) for each in shown]
    assert 28 == left_out


@pytest.mark.parametrize("count, left_out", [(12, 0), (13, 1), (500, 488)])
def test_events_without_room_are_counted(count: int, left_out: int) -> None:
    """No event is left out in silence."""
    html = render(records([phase(n, "ready") for n in range(count)])[0], [], Setup())

    assert count == html.count('class="when"') + left_out
    assert (f"{left_out} more: brinewright batch show" in html) is bool(left_out)


def test_advice_without_room_is_counted() -> None:
    """Of advice that a batch repeats the last is shown, and how much there is."""
    events = [event(n, Kind.ADVICE, advice=f"add {n} g") for n in range(9)]
    html = render(records(events)[0], [], Setup())

    assert "the last 6 of 9" in html
    assert "add 8 g" in html


def test_what_came_long_after_release_is_written_not_drawn() -> None:
    """Hours of rest do not squeeze the rise; their range is said in words."""
    shown = words(render(record_of(), rise(600), SETUP))

    assert "later 34.00 to 34.00 ppt until 2026-03-02 17:59 UTC" in shown


def test_the_drawing_stays_small() -> None:
    """A day of readings does not make a page that a browser labours at."""
    curve = [Point(START + timedelta(seconds=2 * n), 34.0, 0.1, 24.5, 2.0) for n in range(43_200)]

    assert len(render(record_of(), curve, SETUP)) < 60_000
