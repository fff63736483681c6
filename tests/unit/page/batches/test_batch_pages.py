"""The pages of batches and lots over a journal: every odd batch, hostile text, nothing at all."""

from __future__ import annotations

import re
from dataclasses import replace
from html import unescape
from pathlib import Path
from urllib.parse import quote

import pytest

from daemon.entries import JSON
from daemon.journal.retention import OLDEST, summarise
from daemon.journal.writer import Writer
from daemon.mixing.batch.lots import Lot
from tests.parts.batch_scene import MadeBatch, lot_with, many, write_scene
from tests.parts.reading_rows import delete_readings
from tests.unit.journal.test_old_journals import put
from tests.unit.page.batches.parts import ask, json_in

MARKUP = "<b>bold</b><script>alert(1)</script>\u202e"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Where a journal will be."""
    return tmp_path / "journal.db"


def words(body: str) -> str:
    """A page as it reads."""
    return " ".join(unescape(re.sub(r"<[^>]*>", " ", body)).split())


def test_the_list_is_paged_and_leads_to_records_and_back(path: Path) -> None:
    """Newest first; from page to page by the links on it."""
    write_scene(path, many(65), readings=False)
    first = ask(path, "/batches").text
    (older,) = re.findall(r'rel="next" href="([^"]*)"', first)
    second = ask(path, unescape(older)).text
    (newer,) = re.findall(r'rel="prev" href="([^"]*)"', second)

    assert "Batches 1 to 30 of 65" in first
    assert "Batches 31 to 60 of 65" in second
    assert "/batches" == newer
    assert ["mix-1-00064", "mix-1-00063"] == re.findall(r'href="/batches/(mix[^"]*)"', first)[:2]
    assert 200 == ask(path, "/batches/mix-1-00064").status


def test_only_one_reservoir_is_listed_where_it_is_chosen(path: Path) -> None:
    """The choice stays in the links to the pages beside."""
    made = [*many(40), replace(MadeBatch(), id="other", reservoir="mix-2")]
    write_scene(path, made, readings=False)

    assert "Batches 1 to 1 of 1" in ask(path, "/batches?reservoir=mix-2").text
    page = ask(path, "/batches?reservoir=mix-1").text
    assert re.search(r"before=\d+&amp;reservoir=mix-1", page)


@pytest.mark.parametrize("query", ["before=x", "before=-1", "before=99999999999999999999", "a=b"])
def test_an_address_that_makes_no_sense_shows_the_newest(path: Path, query: str) -> None:
    """A person who changed it by hand is not punished."""
    write_scene(path, many(2), readings=False)

    assert "Batches 1 to 2 of 2" in ask(path, f"/batches?{query}").text


def test_no_batch_at_all_is_said(path: Path) -> None:
    """Also without a journal, and for lots and a comparison of nothing."""
    missing = [ask(path, each) for each in ("/batches", "/lots", "/batches/x")]
    write_scene(path, [])
    empty = [ask(path, each) for each in ("/batches", "/lots", "/batches/compare")]

    assert [200, 200, 200] == [each.status for each in missing]
    assert ["Nothing has been measured yet." in each.text for each in missing] == [True] * 3
    assert [200, 200, 200] == [each.status for each in empty]
    said = ("There is no batch yet", "No lot is recorded yet", "Tick some batches")
    assert [True, True, True] == [s in each.text for s, each in zip(said, empty, strict=True)]


def test_an_unknown_id_is_answered_in_words(path: Path) -> None:
    """With the way back; a program is told as RFC 9457 has it."""
    write_scene(path, many(1), readings=False)
    page = ask(path, "/batches/nope")
    problem = ask(path, "/api/batches/nope/curve")

    assert (404, True) == (page.status, "The journal has no batch 'nope'." in words(page.text))
    assert 'href="/batches"' in page.text
    assert (404, 404) == (problem.status, json_in(problem)["status"])


def test_an_id_may_hold_letters_of_any_language(path: Path) -> None:
    """Those of a reservoir called by what stands on it."""
    write_scene(path, [MadeBatch("Vär-水-1")], readings=False)
    address = quote("Vär-水-1")

    assert f'href="/batches/{address}"' in ask(path, "/batches").text
    assert "<h1>Vär-水-1</h1>" in ask(path, f"/batches/{address}").text
    assert 200 == ask(path, f"/api/batches/{address}/curve").status


def test_a_journal_that_cannot_be_read_is_said(path: Path) -> None:
    """A person reads why, and no server error."""
    path.write_bytes(b"this is no journal, but some text that somebody put here" * 100)

    replies = [ask(path, each) for each in ("/batches", "/batches/x", "/lots", "/api/batches")]
    assert [503] * 4 == [each.status for each in replies]


def test_markup_of_people_shows_as_text(path: Path) -> None:
    """Notes, lots and ids of batches are read, never run."""
    batch = MadeBatch("id-<i>x\u202e", facts={"mass_g": 7000.0, "lot": MARKUP}, note=MARKUP)
    write_scene(path, [batch], lots=[lot_with(MARKUP, [0.86], [batch])])
    address = quote(batch.id, safe="")
    for page in (f"/batches/{address}", "/batches", f"/batches/compare?batch={address}", "/lots"):
        body = ask(path, page).text

        assert "<script>alert" not in body
        assert "<b>bold" not in body
        assert "\u202e" not in body
        assert "<i>x" in unescape(body)
        assert "<b>bold</b><script>alert(1)</script>" in unescape(body)


def test_the_record_has_all_that_the_sheet_has(path: Path) -> None:
    """Every section, with its figures and the table of the curve."""
    facts: dict[str, JSON] = {
        "mass_g": 7310.0,
        "volume_l": 180.0,
        "lot": "blue-7",
        "heel_volume_l": 20.0,
    }
    write_scene(path, [MadeBatch(facts={**facts, "heel_salinity": 33.8}, note="pump cleaned")],
                lots=[Lot("blue-7", "L 4471-B")])  # fmt: skip
    text = words(ask(path, f"/batches/{MadeBatch().id}").text)

    for part in (
        "Used", "34.00 ± 0.18 ppt", "Specific gravity", "33 to 35 ppt", "0.9998",
        "Times", "First salt 2031-05-04 06:05 UTC", "Composition", "Lot number L 4471-B",
        "Mass of mix 7310 g", "Heel included 20 L at 33.80 ppt", "24.5 °C when steady",
        "Corrections and advice none", "kim (page) pump cleaned", "Events", "Before use",
        "Calibrate the independent instrument apart from the probe", "After Salinity 0 min",
        "brinewright batch sheet", "Times: UTC",
    ):  # fmt: skip
        assert part in text


def test_an_ended_batch_leads_to_its_time_in_the_trend(path: Path) -> None:
    """Where its reservoir is still configured, for there is no trend of another."""
    made = [MadeBatch(), replace(MadeBatch(), id="other", reservoir="gone")]
    write_scene(path, made, readings=False)
    (address,) = re.findall(r'href="(/trend\?[^"]*)"', ask(path, f"/batches/{made[0].id}").text)

    assert (
        "/trend?reservoir=mix-1&from=2031-05-04T06%3A00%3A00.000Z&to=2031-05-04T07%3A30%3A00.000Z"
        == unescape(address)
    )
    assert 200 == ask(path, unescape(address)).status
    assert "/trend?" not in ask(path, "/batches/other").text


def test_a_batch_in_the_reservoir_points_to_the_page_of_the_present(path: Path) -> None:
    """What the journal last had of released water may no longer hold."""
    batch = MadeBatch(then=("ready",))
    write_scene(path, [batch], readings=False, present=batch.id)
    now = words(ask(path, f"/batches/{batch.id}").text)
    write_scene(path, [replace(batch, id="gone", began=batch.at(500).wall)], readings=False)
    gone = words(ask(path, "/batches/gone").text)

    assert "the page Now says whether that still holds" in now
    assert "End not recorded last known: ready; it is in no reservoir now" in gone


def test_readings_that_became_minutes_or_are_gone_are_told(path: Path) -> None:
    """The curve says what it is made of; without readings the record is still whole."""
    write_scene(path, [MadeBatch(minutes=30.0, period_s=5.0)])
    with Writer(path) as writer:
        writer.within(lambda db: summarise(db, db.execute(OLDEST, (10**9, 200)).fetchall()))
    some = words(ask(path, f"/batches/{MadeBatch().id}").text)
    with Writer(path) as writer:
        writer.within(delete_readings)
        writer.within(lambda db: db.execute("DELETE FROM summaries"))
    none = ask(path, f"/batches/{MadeBatch().id}")

    assert "points are means of a minute: older readings are gone." in some
    assert (200, True) == (none.status, "No readings of this batch are kept." in none.text)
    assert "<figure" not in none.text


def test_curves_over_one_another_have_letters_and_patterns(path: Path) -> None:
    """Each its own; what is not there, and what is too many, is said."""
    made = many(10)
    write_scene(path, made, readings=False)
    query = "&".join(f"batch={each.id}" for each in made)
    body = ask(path, f"/batches/compare?batch=nope&{query}&batch={made[0].id}").text

    assert [*"ABCDEFG"] == re.findall(r'data-letter="(.)"', body)
    patterns = re.findall(r'data-pattern="([^"]*)"', body)
    assert len(patterns) == len(set(patterns))
    assert "The journal has no batch nope." in body
    assert "3 more were chosen; 8 are shown" in body


def test_two_batches_of_a_lot_are_shown_with_what_changed(path: Path) -> None:
    """Salt content with k = 2, batches, since when, spread, and a contradiction in words."""
    made = many(6)
    lot = lot_with("blue-7", [0.868, 0.87, 0.869, 0.871, 0.868, 0.8], made)
    write_scene(path, made, readings=False, lots=[lot, Lot("new")])
    text = words(ask(path, "/lots").text)

    for part in (
        "Batches that count 6", "Since 2031-05-04", "Standard deviation of the batches 0.0",
        "check the mass and the volume that were recorded", "0.868 ± 0.012",
        "common practice; no batch has shown it yet", "unknown from fewer than two",
    ):  # fmt: skip
        assert part in text


def test_pages_hold_no_script_or_style_of_their_own(path: Path) -> None:
    """The policy of the page forbids both, and reading needs neither."""
    write_scene(path, [MadeBatch()], lots=[lot_with("blue-7", [0.86], [MadeBatch()])])
    for page in ("/batches", f"/batches/{MadeBatch().id}", "/lots", "/batches/compare?batch=x"):
        body = ask(path, page).text

        assert not re.search(r"<script(?![^>]*src=)|<style| style=| on\w+=", body)


@pytest.mark.parametrize("schema, status", [(4, 503), (5, 200), (7, 200)])
def test_journals_of_earlier_versions_are_shown_or_refused_in_words(
    tmp_path: Path, schema: int, status: int
) -> None:
    """As far back as their entries can be read as they are; their batches open, too."""
    journal = put(schema, tmp_path)
    listed = ask(journal, "/batches")
    pages = re.findall(r'href="(/batches/[^"]*)"', listed.text)

    assert (status, status == 200) == (listed.status, bool(pages))
    assert {200} >= {ask(journal, each).status for each in pages}
