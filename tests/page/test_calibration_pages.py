"""The pages about calibrations as a browser gets them: what they say, and what they offer."""

from __future__ import annotations

import json
import re
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from html import unescape
from pathlib import Path

import pytest

from calibration.acceptance import REPAIRS
from daemon.journal.shapes import to_object
from daemon.page.calibrations import kinds
from tests.page.calibration_parts import Bench, bench, page_of
from tests.parts.calibrating import SOLUTION, SOLUTION_MS_CM, Corner, later

HISTORY, ROUTINE = "/calibrations", "/calibrations/routine"
VERBS = tuple(
    f"calibrate.{each}" for each in ("start", "check", "confirm", "next", "retry", "abort")
)


@pytest.fixture
def at_bench(tmp_path: Path) -> Iterator[Bench]:
    """A probe in its water, and pages that look on."""
    with bench(tmp_path) as one:
        one.corner.in_water(1)
        yield one


def text_of(page: str) -> str:
    """What a page says, without its markup."""
    main = page[page.index("<main") : page.index("</main>")]
    return " ".join(unescape(re.sub(r"<[^>]*>", " ", main)).split())


def buttons(page: str) -> list[str]:
    """What the buttons of a page's commands say."""
    forms = re.findall(r'<form[^>]*action="/command".*?</form>', page, re.DOTALL)
    found = [each for form in forms for each in re.findall(r"<button[^>]*>(.*?)</button>", form)]
    return [unescape(each.strip()) for each in found]


def test_without_any_calibration_the_history_says_so(at_bench: Bench) -> None:
    """And leads to where one is made."""
    page = page_of(at_bench, HISTORY)

    assert "It was never calibrated; it counts as configured until it is." in text_of(page)
    assert "There is no record of it." in text_of(page)
    assert f'href="{ROUTINE}"' in page
    assert "drift-chart" not in page


@pytest.mark.parametrize("path", [HISTORY, ROUTINE])
def test_without_a_journal_both_pages_answer(tmp_path: Path, path: str) -> None:
    """Nothing has been measured yet."""
    with bench(tmp_path) as one:
        one.write()
        one.writer.close()
        one.path.unlink()

        assert "probe ct-1" in text_of(page_of_unwritten(one, path))


def page_of_unwritten(one: Bench, path: str) -> str:
    """A page of a bench whose journal is gone."""
    one.write = lambda: None  # type: ignore[method-assign]
    return page_of(one, path)


def test_a_record_shows_its_figures_its_verdict_and_its_lot(at_bench: Bench) -> None:
    """As found, as left, adjustment and its uncertainty; the one in force is tagged."""
    at_bench.corner.calibrate()
    text = text_of(page_of(at_bench, HISTORY))

    for words in (
        "Accepted with a warning",
        "In force",
        "lot A17 ± 0.5 %",
        "by night shift",
        "-3.0",
        "× 1.03",
        "± 1.25 %",
        "There is one record alone",
    ):
        assert words in text


def test_the_chart_has_its_figures_in_a_table(at_bench: Bench) -> None:
    """For who cannot see it: each record, and what is expected."""
    record = at_bench.corner.calibrate()
    text = text_of(page_of(at_bench, HISTORY))

    assert f"Calibration {record.id}" in text
    assert "Expected by all records" in text


def test_a_page_without_commands_says_how_it_is_done_at_a_terminal(at_bench: Bench) -> None:
    """It follows a routine that runs all the same, and has no form."""
    idle = page_of(at_bench, ROUTINE)
    assert "brinewright calibrate --reservoir mix-1 --probe ct-1" in text_of(idle)
    at_bench.corner.begin()
    running = page_of(at_bench, ROUTINE)

    assert "This page follows" in text_of(running)
    assert "Let it settle" in text_of(running)
    assert "brinewright calibrate abort --reservoir mix-1 --probe ct-1" in text_of(running)
    assert [] == buttons(running)


def test_before_it_begins_the_page_says_what_is_needed_and_what_to_beware_of(
    at_bench: Bench,
) -> None:
    """Fresh solution, temperature, mains; and the form begins with a tick for that."""
    page = page_of(at_bench, ROUTINE, *VERBS)

    for words in (
        "fresh portion",
        "The temperature decides",
        "unplug first",
        "never water into acid",
    ):
        assert words in text_of(page)
    assert ["Begin the calibration", "Begin the check"] == buttons(page)
    assert "What runs on mains in that water is unplugged" in text_of(page)


def test_each_step_offers_what_leads_on(at_bench: Bench) -> None:
    """And what a person may do instead; saving is offered with the verdict alone."""
    corner, seen = at_bench.corner, []

    def step() -> None:
        seen.append(buttons(page_of(at_bench, ROUTINE, *VERBS)))

    corner.answer("calibrate.start", references=SOLUTION)
    for _ in ("rinse", "immerse", "stir"):
        step()
        corner.answer("calibrate.confirm")
    step()
    corner.feed(SOLUTION_MS_CM, 3)
    step()
    corner.answer("calibrate.next")
    step()
    corner.answer("calibrate.confirm")
    step()

    abort = "Abort: nothing is saved"
    assert [
        ["Rinsed", abort],
        ["It stands in the reference", abort],
        ["No bubble is left", abort],
        ["Repeat this point", abort],
        ["To the verdict", "Repeat this point", abort],
        ["Save it and put it in force", "Repeat the last point", abort],
        ["Probe ct-1 is back in the water"],
    ] == seen


def test_the_verdict_says_what_would_change_before_anything_is_saved(at_bench: Bench) -> None:
    """Error, adjustment, uncertainty, whether it is in order, and the salinity then."""
    corner = at_bench.corner
    corner.begin()
    corner.feed(SOLUTION_MS_CM, 3)
    corner.answer("calibrate.next")
    text = text_of(page_of(at_bench, ROUTINE, *VERBS))

    for words in (
        "Nothing is saved yet.",
        "In order, with a warning",
        "Error as found",
        "Proposed adjustment",
        "The same water of about 33 ppt then reads 1.1",
        "comes into force",
    ):
        assert words in text


def test_a_form_carries_the_turn_it_was_made_for(at_bench: Bench) -> None:
    """So a second browser that shows an older step does nothing to the present one."""
    corner = at_bench.corner
    corner.answer("calibrate.start", references=SOLUTION)
    page = page_of(at_bench, ROUTINE, *VERBS)
    (turn,) = {unescape(each) for each in re.findall(r'name="turn" value="([^"]*)"', page)}
    assert not corner.answer("calibrate.confirm", step="rinse", turn=turn).startswith("-")

    again = corner.answer("calibrate.confirm", step="rinse", turn=turn)
    assert "- the routine is at step immerse by now, not at rinse; look again" == again


def test_the_page_says_that_the_probe_is_at_the_bench(tmp_path: Path) -> None:
    """The batch waits for it, and the alarms of its reservoir stand beside."""
    with bench(tmp_path, Corner(gain=1.0)) as one:
        one.corner.batch()
        one.corner.answer("calibrate.check", references=SOLUTION)
        one.corner.in_water(0.2)
        text = text_of(page_of(one, ROUTINE))

    assert "ct-1 is at the bench since " in text
    assert "its readings do not count" in text
    assert re.search(r"mix-1-\d{8}\S* waits for its probe", text)


def test_a_lost_routine_is_said_to_be_lost(at_bench: Bench) -> None:
    """After a restart of the service nothing of it is saved, and the probe is to go back."""
    at_bench.corner.begin()
    at_bench.corner.restarted()
    page = page_of(at_bench, ROUTINE, *VERBS)

    assert "It was lost when measuring ended; nothing of it is saved." in text_of(page)
    assert ["Probe ct-1 is back in the water"] == buttons(page)


@pytest.mark.parametrize("path", [HISTORY, ROUTINE])
def test_markup_in_a_lot_a_name_and_a_reason_is_text(tmp_path: Path, path: str) -> None:
    """Whatever a person typed is shown as it is."""
    hostile = "<script>alert(1)</script>"
    with bench(tmp_path) as one:
        corner = one.corner
        corner.in_water(1)
        first = corner.calibrate(references=SOLUTION.replace("A17", f"'{hostile}'"))
        later(corner, 1)
        corner.calibrate(repair="cleaned")
        later(corner, 1)
        corner.answer("calibrate.revert", to=first.id, reason=hostile)
        corner.answer("calibrate.start", references=SOLUTION.replace("A17", f"'{hostile}'"))
        page = page_of(one, path, *VERBS)

    assert hostile not in page
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in page


def test_a_record_that_the_disk_has_changed_is_said_to_be_unreadable(at_bench: Bench) -> None:
    """Nothing is called in force then, and a routine is not guessed at either."""
    at_bench.corner.calibrate()
    at_bench.write()
    with closing(sqlite3.connect(at_bench.path)) as db, db:
        db.execute(
            "UPDATE events SET facts = replace(facts, 'A17', 'A18') WHERE kind = 'calibration'"
        )
    history, routine = (text_of(page_of(at_bench, path)) for path in (HISTORY, ROUTINE))

    assert "The record cannot be read" in history
    assert "was changed on the disk" in history
    assert "In force" not in history
    assert "was changed on the disk" in routine


def test_what_the_page_needs_of_calibrations_is_loaded_when_somebody_looks() -> None:
    """These pages alone bring neither the library nor the equations of seawater with them."""
    script = (
        "import sys; import daemon.page.calibrations.pages, daemon.page.calibrations.endpoints;"
        " print([each for each in ('gsw', 'numpy', 'calibration') if each in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )

    assert "[]" == done.stdout.strip()


def test_the_words_for_a_repair_are_those_of_the_library() -> None:
    """The form names what the command takes."""
    assert REPAIRS == kinds.REPAIRS


def test_a_page_needs_no_inline_style_or_script(at_bench: Bench) -> None:
    """The content policy of the page forbids both."""
    at_bench.corner.begin()
    at_bench.corner.feed(SOLUTION_MS_CM, 0.5)
    for path in (HISTORY, ROUTINE):
        page = page_of(at_bench, path, *VERBS)
        assert " style=" not in page
        assert [] == re.findall(r"<script(?![^>]*\bsrc=)", page)
        assert [] == re.findall(r"\son\w+=", page)


def test_the_interface_answers_what_the_page_draws(at_bench: Bench) -> None:
    """JSON without a figure that is no number."""
    at_bench.corner.begin()
    at_bench.corner.feed(SOLUTION_MS_CM, 2)
    (routine,) = at_bench.routines()
    assert json.loads(json.dumps(to_object(routine), allow_nan=False))["kind"] == "calibration"
