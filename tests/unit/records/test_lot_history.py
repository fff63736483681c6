"""What is known of a lot: by which batches, and what the last of them changed."""

from __future__ import annotations

from pathlib import Path

import pytest

from daemon.journal.reader import Reader
from daemon.journal.writer import Writer
from daemon.mixing.batch import lots
from daemon.mixing.batch.lots import Lot
from daemon.records.lot_history import histories, history_of
from daemon.records.lot_numbers import lot_numbers
from tests.parts.batch_scene import lot_with, many, write_scene


def test_each_batch_of_a_lot_is_shown_with_its_release(tmp_path: Path) -> None:
    """With what it showed and when; one that the journal no longer has, without when."""
    made = many(3)
    lot = lot_with("blue-7", [0.86, 0.87, 0.865, 0.868], [*made, *many(4)[3:]])
    write_scene(tmp_path / "journal.db", made, readings=False, lots=[lot])
    (found,) = histories(Reader(tmp_path / "journal.db"))

    moments = [made[0].at(26 + n).wall for n in (0, 1)]
    assert [moments[0], made[1].at(27).wall] == [each.at for each in found.shown[:2]]
    assert (None, None) == (found.shown[2].at, found.shown[3].at)
    assert [0.86, 0.87, 0.865, 0.868] == [each.content for each in found.shown]
    assert 4 == found.content.count


def test_a_lot_without_batches_has_no_spread_and_no_change() -> None:
    """Its salt content is common practice or the label, and said to be."""
    found = history_of(Lot("blue-7", label_yield=0.85), 0.0, {})

    assert ("label", 0.85, 0) == (found.content.basis, found.content.value, found.content.count)
    assert (None, None, []) == (found.spread, found.change, [*found.shown])


def test_one_batch_has_no_spread() -> None:
    """The scatter of one value is not zero, it is unknown."""
    assert None is history_of(lot_with("blue-7", [0.86], many(1)), 0.0, {}).spread


@pytest.mark.parametrize("last, agrees", [(0.867, True), (0.80, False)])
def test_a_batch_that_contradicts_the_others_is_said_to(last: float, agrees: bool) -> None:  # noqa: FBT001
    """A mass that was weighed wrongly shows as a salt content that the lot never had."""
    lot = lot_with("blue-7", [0.866, 0.868, 0.867, last], many(4))
    change = history_of(lot, 86_400.0 * 3, {}).change

    assert change is not None
    assert (agrees, many(4)[3].id) == (change.agrees, change.batch)
    assert lots.estimate(lot, 86_400.0 * 3) == change.after
    assert 3 == change.before.count


def test_the_lot_of_the_newest_batch_comes_first(tmp_path: Path) -> None:
    """The one that is open is looked for most; one without batches comes last."""
    made = many(4)
    known = [
        Lot("closed"),
        lot_with("old", [0.86], made[:1]),
        lot_with("new", [0.86, 0.87], made[1:3]),
    ]
    write_scene(tmp_path / "journal.db", made, readings=False, lots=known)
    reader = Reader(tmp_path / "journal.db")

    assert ["new", "old", "closed"] == [each.lot.name for each in histories(reader)]
    assert {"new": "L new", "old": "L old"} == lot_numbers(reader)


def test_a_journal_without_a_state_has_no_lot_numbers(tmp_path: Path) -> None:
    """Nor has one whose state this version cannot read."""
    found = list[dict[str, str]]()
    for checkpoint in (None, "no JSON", "[]", '{"state": {"lots": [1]}}', '{"lots": {"a": 1}}'):
        path = tmp_path / f"{len(found)}.db"
        with Writer(path) as writer:
            writer.append([], 0.0, {}, checkpoint)
        found.append(lot_numbers(Reader(path)))

    assert [{}] * 5 == found
