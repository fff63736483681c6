"""The sheet of a batch fits one printed side, however much happened to the batch.

The sheet gives every row, title and drawing a height in millimetres; here the
heights of what is really on a page are added up and held against the paper.
"""

from __future__ import annotations

import re
from collections import Counter
from datetime import UTC, datetime, timedelta
from html.parser import HTMLParser
from typing import TYPE_CHECKING

import pytest

from daemon.entries import Event, Instant, Kind
from daemon.mixing.batch.record import BatchRecord, records
from daemon.reports import batch_sheet
from daemon.reports.batch_sheet import render

if TYPE_CHECKING:
    from daemon.entries import JSON

START = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
LETTER_MM, A4_MM = 279.4, 297.0
"""Heights of paper: ANSI Y14.1 size A, ISO 216."""
SPARE_MM = 4.0
LONG = "W" * 500


class Heights(HTMLParser):
    """Adds up the heights of a page's parts, in columns side by side that of the taller."""

    def __init__(self, style: str) -> None:
        """Take the heights from the page's own style."""
        super().__init__()
        self.of = {
            tag: float(found)
            for tag, found in re.findall(
                r"^(?:body > )?(h1|h2|td|svg|\.sign) \{[^}]*?(?<!-)height: ([\d.]+)mm",
                style,
                re.MULTILINE,
            )
        }
        self.sides: list[float] = []
        self.mm, self.depth, self.in_pair = 0.0, 0, 0
        self.tags: Counter[str] = Counter()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Count one part."""
        kind = dict(attrs).get("class") or ""
        self.tags[tag] += 1
        if tag == "svg":
            self.depth += 1
            self._add(self.of["svg"] if self.depth == 1 else 0.0)
        elif tag == "div":
            self._div(kind)
        elif tag == "tr":
            self._add(self.of["td"])
        elif tag in ("h1", "h2"):
            self._add(self.of[tag])
        elif kind == "sign":
            self._add(self.of[".sign"])

    def handle_endtag(self, tag: str) -> None:
        """Close a column, or the pair of them."""
        if tag == "svg":
            self.depth -= 1
        if tag == "div" and self.in_pair:
            self.in_pair -= 1
            if not self.in_pair:
                self.mm += max(self.sides)

    def _div(self, kind: str) -> None:
        if kind == "pair":
            self.in_pair, self.sides = 1, []
        elif self.in_pair:
            self.in_pair += 1
            self.sides.append(0.0)

    def _add(self, mm: float) -> None:
        if self.in_pair:
            self.sides[-1] += mm
        else:
            self.mm += mm


def measured(html: str) -> Heights:
    """The page's parts and its height."""
    found = Heights(html[html.index("<style>") : html.index("</style>")])
    found.feed(html)
    return found


def record_of(count: int, word: str = LONG) -> BatchRecord:
    """A batch with so many events, each of which says too much."""
    events = [
        Event(
            "mix-1",
            Instant(START + timedelta(minutes=number), number * 60.0, "boot-1"),
            "mix-1-1",
            Kind.COMMAND,
            {"who": word, "via": "cli", "verb": "batch.note", "note": word},
        )
        for number in range(count)
    ]
    return records(events)[0]


FULL: dict[str, JSON] = {
    "station": LONG,
    "printed": LONG,
    "lot": LONG,
    "lot_number": LONG,
    "corrections": [LONG] * 50,
    "notes": [LONG] * 50,
    "target_ppt": 34.0,
    "tolerance_ppt": 1.0,
}


def test_the_fullest_sheet_fits_the_shorter_paper() -> None:
    """Letter is the shorter of the two, and some is left for a printer's rounding."""
    curve = [(START + timedelta(seconds=n), 34.0, 0.1) for n in range(5000)]
    found = measured(render(record_of(500), curve, FULL))

    assert found.mm <= LETTER_MM - 2 * 12.0 - SPARE_MM < A4_MM - 2 * 12.0 - SPARE_MM
    assert batch_sheet.MOST_MM == pytest.approx(found.mm)
    assert found.mm > 200.0


def test_the_ruler_measures() -> None:
    """Each row more is four millimetres more, and columns side by side count once."""
    one, three = (measured(render(record_of(count, "w"), [], {})).mm for count in (1, 3))
    noted = measured(render(record_of(1, "w"), [], {"notes": ["a", "b"]})).mm

    # Two events more, and in their column two notes more.
    assert 4 * batch_sheet.ROW_MM == pytest.approx(three - one)
    assert batch_sheet.ROW_MM == pytest.approx(noted - one)


def test_no_row_can_grow() -> None:
    """A cell never wraps and the margins are those that were counted with."""
    html = render(record_of(1), [], FULL)

    assert "white-space: nowrap" in html
    assert "@page { margin: 12mm }" in html
    assert max(map(len, re.findall(r"<td[^>]*>([^<]*)", html))) <= 200


@pytest.mark.parametrize("count, left_out", [(14, 0), (15, 1), (500, 486)])
def test_events_without_room_are_counted(count: int, left_out: int) -> None:
    """No event is left out in silence."""
    html = render(record_of(count), [], {})

    shown = html.count('class="when"')
    assert count == shown + left_out
    assert (f", {left_out} more: 'brinewright batch show'" in html) is bool(left_out)


def test_notes_without_room_are_counted() -> None:
    """Of many notes the last are shown, and how many there are is said."""
    html = render(record_of(1), [], {"notes": [f"note {n}" for n in range(9)]})

    assert "Notes, the last 4 of 9" in html
    assert "note 8" in html
    assert "note 4" not in html


def test_the_drawing_stays_small() -> None:
    """A day of readings does not make a page that a browser labours at."""
    curve = [(START + timedelta(seconds=2 * n), 34.0, 0.1) for n in range(43_200)]

    assert len(render(record_of(1), curve, FULL)) < 60_000
