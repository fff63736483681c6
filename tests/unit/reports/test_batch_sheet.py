"""The sheet of a batch: what it says, that it says it truly, and that nothing slips through."""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime, timedelta
from html.parser import HTMLParser
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.entries import Entry, Event, Flag, Instant, Kind, Reading
from daemon.journal.reader import Reader
from daemon.journal.writer import Writer
from daemon.mixing.batch.record import BatchRecord, records
from daemon.mixing.cautions import INDEPENDENT_CHECK
from daemon.mixing.probe.quality import TESTS
from daemon.reports import salinity_curve as curve_module
from daemon.reports.batch_sheet import chosen, render, sheet_html
from daemon.reports.salinity_curve import Marks, Point, curve_of, split, svg
from daemon.reports.whole_file import write_document

if TYPE_CHECKING:
    from daemon.entries import JSON

START = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
TOLD: dict[str, JSON] = {
    "station": "quarantine-wing",
    "lot": "blue-7",
    "lot_number": "L 4471-B",
    "salt_g": 7310.0,
    "volume_l": 180,
    "heel_l": 20.0,
    "heel_salinity": 33.8,
    "temperature_C": 24.6,
    "mix_yield": 0.868,
    "mix_yield_u": 0.006,
    "target_ppt": 34.0,
    "tolerance_ppt": 1.0,
    "release_confidence": 0.95,
    "use_within_h": 24.0,
}


def at(minute: float) -> Instant:
    """So many minutes after the start."""
    return Instant(START + timedelta(minutes=minute), minute * 60.0, "boot-1")


def event(minute: float, kind: Kind, **facts: JSON) -> Event:
    """An event of the batch mix-1-1."""
    return Event("mix-1", at(minute), "mix-1-1", kind, facts)


def phase(minute: float, to: str, why: str = "seen", **facts: JSON) -> Event:
    """A change of phase of the batch mix-1-1."""
    return event(minute, Kind.PHASE, **{"from": "idle", "to": to, "why": why}, **facts)


EVENTS = [
    event(0, Kind.BATCH, what="began", salinity=0.05),
    phase(0, "blank"),
    event(
        6,
        Kind.COMMAND,
        who="morning shift",
        via="cli",
        verb="batch.start",
        ok=True,
        answer="batch is being mixed",
    ),
    phase(8, "dissolving"),
    event(20, Kind.FORECAST, stable_at="x"),
    event(30, Kind.STABILISED, salinity=34.02, salinity_u=0.09),
    phase(30, "verifying"),
    phase(36, "ready", "34.02 ± 0.18 ppt (k=2) is within 33 to 35 ppt", probability=0.9971),
    event(40, Kind.COMMAND, who="morning shift", via="page", verb="batch.note", note="clear"),
]


def record_of(*more: Event) -> BatchRecord:
    """The batch of `EVENTS`, and what came after."""
    return records([*EVENTS, *more])[0]


def rise(minutes: float = 50.0) -> list[Point]:
    """Readings every ten seconds of a batch that rises to 34 from minute 8 on."""
    times = [n / 6 for n in range(int(minutes * 6))]
    return [
        (START + timedelta(minutes=m), 34.0 * (1 - math.exp(-max(m - 8, 0) / 4)), 0.09)
        for m in times
    ]


def words(html: str) -> str:
    """What a person reads of a page, without its style."""
    return re.sub(r"<[^>]*>", "\n", html[html.index("</style>") :])


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
        "quarantine-wing: batch mix-1-1",
        "blue-7",
        "L 4471-B",
        "7310 g",
        "0.868 ± 0.012 (k=2) g salt per g mix",
        "180 L",
        "20 L at 33.80 ppt",
        "34.02 ± 0.18 ppt (k=2), specific gravity 1.0256 (25/25 °C)",
        "33 to 35 ppt, target 34 ppt",
        "with probability 0.9971, release asks for 0.95",
        "2026-03-02 08:36 UTC",
        "morning shift (cli)",
        "batch.start by morning shift: batch is being mixed",
        "clear (morning shift (page))",
        f"RELEASED: {INDEPENDENT_CHECK}",
        "where the two disagree, do not use the water",
        "tolerance limits",
        "heel included",
        "changes after steady",
        "Name and signature",
    ],
)
def test_the_sheet_says_all_that_is_known(part: str) -> None:
    """Lot, masses, water, times, decision with figures, who and when, cautions."""
    assert part in words(render(record_of(), rise(), TOLD))


@pytest.mark.parametrize(
    "more, verdict",
    [
        ([], "\nRELEASED: check with an independent instrument before animals meet it\n"),
        ([phase(50, "off_target")], "OFF TARGET: not for use"),
        ([phase(50, "stale")], "EXPIRED: do not use before it has been verified again"),
        ([phase(50, "dissolving")], "NOT RELEASED: dissolving"),
        ([event(50, Kind.BATCH, what="ended", how="used", by="seen refilled")], "\nUSED\n"),
        ([event(50, Kind.BATCH, what="ended", how="discarded", by="x")], "\nDISCARDED\n"),
    ],
)
def test_the_verdict_is_the_last_one(more: list[Event], verdict: str) -> None:
    """Water that was released and then changed is not called released."""
    shown = words(render(record_of(*more), rise(), TOLD))

    assert verdict in shown
    assert ("\nRELEASED: " in shown) is (not more)


def test_a_batch_used_without_release_is_called_so() -> None:
    """The sheet does not bless what the station never released."""
    ended = event(50, Kind.BATCH, what="ended", how="used", by="morning shift")

    assert "USED WITHOUT RELEASE" in render(records([EVENTS[0], ended])[0], [], TOLD)


def test_the_probability_is_worked_out_where_no_event_tells_it() -> None:
    """34.02 with u 0.5 within 33 to 35 by the normal distribution: 0.9544."""
    events = [EVENTS[0], event(30, Kind.STABILISED, salinity=34.02, salinity_u=0.5)]

    # Phi(1.96) - Phi(-2.04) = 0.97500 - 0.02068, from a table of the normal distribution.
    assert "with probability 0.9543" in render(records(events)[0], [], TOLD)


def test_what_nobody_told_is_said_to_be_untold() -> None:
    """A bare batch gives a sheet too, with no figure made up."""
    shown = words(render(records(EVENTS[:1])[0], [], {}))

    assert "NOT RELEASED: idle" in shown
    assert "never found steady" in shown
    assert "no readings of this batch are kept" in shown
    # What it was made of, and the limits.
    assert 8 + 1 == shown.count("not recorded\n")


def test_facts_of_another_version_do_not_stop_the_sheet() -> None:
    """An event that cannot be worded is shown as it is written."""
    html = render(records([EVENTS[0], event(1, Kind.ADVICE, other="thing")])[0], [], {})

    assert "other thing" in html


@given(st.text(max_size=80), st.lists(st.text(max_size=60), max_size=5))
def test_no_words_ever_become_a_tag(word: str, notes: list[str]) -> None:
    """Whatever is written in a name, note or fact, the page has the same tags."""
    hostile = f"<script>alert(1)</script>\"'--><img src=x onerror=y>{word}"

    def page(name: str, lines: list[str]) -> Tags:
        record = record_of(
            event(50, Kind.COMMAND, who=name, via=name, verb=name, note=name),
            phase(51, name, name),
        )
        record.id, record.reservoir = name, name
        told: dict[str, JSON] = dict(TOLD)
        for key in ("station", "lot", "lot_number", "printed"):
            told[key] = name
        told["notes"] = told["corrections"] = [*lines]
        return Tags(render(record, rise(), told))

    plain, found = page("a", ["a" for _ in notes]), page(hostile, [hostile + n for n in notes])

    assert plain.tags == found.tags
    assert plain.names == found.names


def test_hostile_words_are_shown_as_they_are() -> None:
    """They are escaped, not swallowed; what cannot be printed or turns text round is."""
    notes: list[JSON] = ["<b>salt</b> & \u202ewater\x00\nagain"]
    told = {**TOLD, "notes": notes}

    assert "<b>salt</b> & water again" in Tags(render(record_of(), [], told)).text


def test_the_page_needs_nothing_from_elsewhere() -> None:
    """No script, no link, no picture, no address: it prints without a network."""
    html = render(record_of(), rise(), TOLD)
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
    shown, left_out = chosen([event(0, Kind.FORECAST), *events])

    assert [Kind.PHASE] * 10 == [each.kind for each in shown if each.kind is Kind.PHASE]
    assert Kind.DEVICE not in {each.kind for each in shown}
    assert 21 == len(shown) + left_out


def test_of_too_many_the_beginning_and_the_end_stay() -> None:
    """How a batch began and how it ended are both on the sheet."""
    shown, left_out = chosen([phase(n, "ready") for n in range(40)])

    assert [0, 1, 2, 3, *range(30, 40)] == [round(each.at.mono_s / 60) for each in shown]
    assert 26 == left_out


# --- the curve ----------------------------------------------------------------------------------


def places(drawn: str, panel: int) -> list[tuple[float, float]]:
    """The curve's places in one panel."""
    found = re.findall(r'<polyline points="([^"]*)"', drawn)[panel]
    return [(float(x), float(y)) for x, y in (pair.split(",") for pair in found.split())]


def test_the_curve_is_drawn_to_scale() -> None:
    """Its highest place is where the axis has 34, and it runs from edge to edge."""
    drawn = svg(rise(), Marks(low=33.0, high=35.0))
    line = places(drawn, 0)
    frame = 240 - 8 - 30

    # The panel's top is 6 % above the upper limit of 35, its bottom at 0.
    assert frame * (1 - 34.0 / (35.0 * 1.06)) == pytest.approx(min(y for _, y in line), abs=0.2)
    assert 0.0 == line[0][0]
    assert line == sorted(line, key=lambda place: place[0])


def test_band_limits_and_phases_are_drawn() -> None:
    """In both panels: the band of two standard uncertainties, two limits, and the marks."""
    marks = Marks([(START + timedelta(minutes=8), "dissolving")], 33.0, 35.0, 34.0)
    drawn = svg(rise(), marks)

    assert 2 == drawn.count('class="band"')
    assert 4 == drawn.count('class="limit"')
    assert 1 <= drawn.count(">dissolving</text>") <= 2
    assert ">08:00</text>" in drawn


def test_a_curve_without_uncertainty_has_no_band() -> None:
    """Nothing is drawn that nobody knows."""
    drawn = svg([(wall, salinity, None) for wall, salinity, _ in rise()], Marks())

    assert 'class="band"' not in drawn


def test_what_came_long_after_release_is_told_not_drawn() -> None:
    """Hours of rest do not squeeze the rise; their range is said in words."""
    drawn, rest = split(rise(600.0), START + timedelta(minutes=40))

    assert START + timedelta(minutes=50) == drawn[-1][0]
    assert 550 * 6 - 1 == len(rest)
    assert "then 34.00 to 34.00 ppt until 2026-03-02 17:59" in render(record_of(), rise(600), TOLD)


@given(
    st.lists(
        st.tuples(
            st.integers(0, 10**7),
            st.one_of(st.floats(-1.0, 42.0), st.just(math.nan)),
            st.one_of(st.none(), st.floats(0.0, 5.0)),
        ),
        max_size=30,
    ),
    st.one_of(st.none(), st.floats(0.0, 41.0)),
)
def test_any_readings_can_be_drawn(
    told: list[tuple[int, float, float | None]], low: float | None
) -> None:
    """One reading, none, all alike, out of order, or no numbers: there is a drawing."""
    points = [(START + timedelta(seconds=s), value, u) for s, value, u in told]
    high = None if low is None else low + 1.0
    drawn, _ = split(points, START + timedelta(hours=1))
    picture = svg(drawn, Marks([(START, "ready")], low, high, None))

    assert picture.startswith("<svg ")
    assert "nan" not in picture
    assert picture.count("<svg") == picture.count("</svg>")


def reading(minute: float, salinity: float | None = 34.0, **more: str) -> Reading:
    """A reading that passed, or one that did not come."""
    known = salinity is not None
    return Reading(
        more.get("reservoir", "mix-1"), more.get("probe", "ct-1"), at(minute),
        51.0 if known else None, 24.5 if known else None, salinity, 0.09 if known else None,
        Flag.PASS if known else Flag.MISSING, dict.fromkeys(TESTS, Flag.PASS) if known else {},
    )  # fmt: skip


@pytest.fixture
def reader(tmp_path: Path) -> Reader:
    """A journal with readings before, in and after the batch."""
    ended = event(60, Kind.BATCH, what="ended", how="used", by="seen refilled")
    entries: list[Entry] = [reading(-1, 1.0), *EVENTS, reading(41), reading(42, None)]
    entries += [reading(43, reservoir="mix-2"), reading(44, probe="ct-2"), reading(45), ended]
    with Writer(tmp_path / "journal.db") as writer:
        writer.append([*entries, reading(61, 2.0)], 0.0)
    return Reader(tmp_path / "journal.db")


def test_the_curve_is_the_batchs_own(reader: Reader) -> None:
    """Its reservoir, one probe, what can be used, and from its first event to its last."""
    (record,) = records(each for _, each in reader.events())

    assert [at(41).wall, at(45).wall] == [point[0] for point in curve_of(reader, record)]
    assert "blue-7" in sheet_html(reader, record, TOLD)


def test_a_long_batch_is_thinned(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A month of readings stays bounded in memory and keeps its beginning and end."""
    monkeypatch.setattr(curve_module, "MOST_KEPT", 50)
    with Writer(tmp_path / "journal.db") as writer:
        writer.append([EVENTS[0], *(reading(n) for n in range(1000))], 0.0)
    reader = Reader(tmp_path / "journal.db")
    found = curve_of(reader, records(each for _, each in reader.events())[0])

    assert 25 <= len(found) < 50
    assert at(0).wall == found[0][0]
    assert found[-1][0] > at(950).wall


def test_a_batch_that_the_journal_has_not_has_no_curve(reader: Reader) -> None:
    """Nothing is drawn for it."""
    assert [] == curve_of(reader, BatchRecord("mix-1-9", "mix-1", START))


def test_a_sheet_is_written_whole_and_not_over_another(tmp_path: Path) -> None:
    """It stands there only once, unless force is given."""
    out = tmp_path / "sheet.html"
    write_document("one", out)
    with pytest.raises(FileExistsError):
        write_document("two", out)
    assert "one" == out.read_text()
    write_document("two", out, force=True)

    assert "two" == out.read_text()
