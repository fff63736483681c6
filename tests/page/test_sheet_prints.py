"""The sheet of a batch on paper, printed by a real browser."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from daemon.entries import Event, Kind
from daemon.reports.batch_sheet import EVENT_ROWS, render
from tests.page.browser_parts import printed
from tests.unit.reports.test_batch_sheet import SETUP, event, phase, record_of, rise

pytestmark = pytest.mark.server
NOTE = "The return pipe was replaced yesterday, so expect a slower start than in the last weeks."


def eventful(count: int, notes: int = 2, note: str = NOTE) -> list[Event]:
    """So many things that happened to a batch, and so many notes."""
    happened = [phase(50 + n, "ready", "34.02 ± 0.18 ppt (k=2) is within 33 to 35 ppt")
                for n in range(count)]  # fmt: skip
    return happened + [
        event(50 + n, Kind.COMMAND, who="morning shift", via="page", verb="batch.note", ok=True,
              text=note)
        for n in range(notes)
    ]  # fmt: skip


@pytest.mark.parametrize("paper", ["Letter", "A4"])
@pytest.mark.parametrize("count", [0, EVENT_ROWS])
def test_an_ordinary_sheet_takes_one_side(tmp_path: Path, paper: str, count: int) -> None:
    """With as many events as it has room for, two notes of two lines, and a curve."""
    advice = event(49, Kind.ADVICE, advice="add 1830 g of salt mix, then wait until it is steady")
    html = render(record_of(advice, *eventful(count)), rise(), SETUP)

    assert 1 == printed(html, tmp_path, paper)


@pytest.mark.parametrize("paper", ["Letter", "A4"])
def test_long_notes_go_to_a_second_side(tmp_path: Path, paper: str) -> None:
    """Where they would crowd out the signature, they follow behind it, whole."""
    html = render(record_of(*eventful(EVENT_ROWS, 4, 5 * NOTE)), rise(), SETUP)

    assert 2 == printed(html, tmp_path, paper)


def test_a_word_without_an_end_breaks_its_line_and_not_the_page(tmp_path: Path) -> None:
    """Names as long as a configuration and a lot take them leave the rest where it is."""
    word = "W" * 64
    setup = replace(SETUP, lot=word, lot_number=word, printed=rise()[0].wall + timedelta(hours=1))
    record = record_of(*eventful(2, 4, word))
    record.id = word

    assert 2 >= printed(render(record, rise(), setup), tmp_path)
