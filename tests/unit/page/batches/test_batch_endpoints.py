"""What programs are told of batches: by their schemas, in full, and quickly."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from urllib.parse import quote

import pytest
from jsonschema import Draft202012Validator

from daemon.entries import Entry, Reading
from daemon.journal.writer import Writer
from daemon.mixing.batch.lots import Lot
from daemon.page.batches import batch_schemas
from tests.parts.batch_scene import MadeBatch, lot_with, many, write_scene
from tests.unit.page.batches.parts import ask, json_in

SCHEMAS = {
    "/api/batches": batch_schemas.BATCHES,
    "/api/batches/{}": batch_schemas.RECORD,
    "/api/batches/{}/curve": batch_schemas.CURVE,
    "/api/lots": batch_schemas.LOTS,
}
ODD = [
    MadeBatch(),
    MadeBatch("no-salt", final=None, then=()),
    MadeBatch("never-steady", steady_min=None, then=("discarded",)),
    MadeBatch("unsynced", synced=False, facts={"mass_g": 7000.0, "lot": "blue-7"}, note="x"),
    MadeBatch("a/b ?#%", reservoir="gone", then=("off_target",)),
]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Where a journal will be."""
    return tmp_path / "journal.db"


def minutes(made: MadeBatch, reading: Reading) -> float:
    """When a reading was taken, since the batch began."""
    return (reading.at.wall - made.began) / timedelta(minutes=1)


@pytest.mark.parametrize("address", SCHEMAS)
def test_answers_are_what_their_schemas_say(path: Path, address: str) -> None:
    """Of every odd batch, of lots with and without batches."""
    made = [replace(each, began=each.began + timedelta(days=n)) for n, each in enumerate(ODD)]
    write_scene(path, made, lots=[lot_with("blue-7", [0.86, 0.87], made), Lot("new")])
    schema = Draft202012Validator(SCHEMAS[address])
    for each in made if "{}" in address else made[:1]:
        reply = ask(path, address.format(quote(each.id, safe="")))
        if "/" in each.id:  # a segment of an address cannot hold it, however it is encoded
            assert 404 == reply.status
            continue

        assert (200, []) == (reply.status, [*schema.iter_errors(json_in(reply))])


def test_the_pages_of_the_list_follow_one_another(path: Path) -> None:
    """By the number that each names, until there is none."""
    write_scene(path, many(5), readings=False)
    first = json_in(ask(path, "/api/batches?limit=2"))
    second = json_in(ask(path, f"/api/batches?limit=2&before={first['older']}"))
    last = json_in(ask(path, f"/api/batches?limit=2&before={second['older']}"))

    assert [1, 3, 5] == [each["first"] for each in (first, second, last)]
    assert (None, 0, None) == (first["newer"], second["newer"], last["older"])
    newer = json_in(ask(path, f"/api/batches?limit=2&before={last['newer']}"))
    assert second == newer


def test_a_gap_is_a_row_of_its_own(path: Path) -> None:
    """Null in every column but the time, so that no line connects what nothing was read between."""
    with Writer(path) as writer:
        made = MadeBatch(minutes=20.0)
        kept = [each for each in made.readings() if not 10 < minutes(made, each) < 15]
        entries: list[Entry] = sorted([*made.events(), *kept], key=lambda each: each.at.wall)
        writer.append(entries, 0.0)
    curve = json_in(ask(path, f"/api/batches/{made.id}/curve"))
    gaps = [n for n, value in enumerate(curve["salinity"]) if value is None]

    assert 1 == len(gaps)
    assert (None, None) == (curve["salinity_u"][gaps[0]], curve["temperature_C"][gaps[0]])
    assert sorted(curve["seconds"]) == curve["seconds"]


def test_few_points_are_enough_where_few_are_wanted(path: Path) -> None:
    """The curve keeps its highest value among them."""
    write_scene(path, [MadeBatch(minutes=40.0, period_s=4.0)])
    whole = json_in(ask(path, f"/api/batches/{MadeBatch().id}/curve?points=4000"))
    few = json_in(ask(path, f"/api/batches/{MadeBatch().id}/curve?points=40"))

    assert 600 == len(whole["seconds"])
    assert len(few["seconds"]) <= 40
    assert max(whole["salinity"]) == max(few["salinity"])
    assert (0.0, True) == (
        next(each["seconds"] for each in few["marks"] if each["phase"] == "dissolving"),
        few["from_salt"],
    )


def test_a_batch_that_mixes_is_read_again_each_time(path: Path) -> None:
    """Only the curve of an ended one is kept in memory."""
    made = MadeBatch(steady_min=None, then=(), minutes=10.0)
    write_scene(path, [made])
    before = json_in(ask(path, f"/api/batches/{made.id}/curve"))
    with Writer(path) as writer:
        writer.append(replace(made, minutes=12.0).readings()[60:], 0.0)
    after = json_in(ask(path, f"/api/batches/{made.id}/curve"))

    assert [60, 72] == [len(each["seconds"]) for each in (before, after)]
