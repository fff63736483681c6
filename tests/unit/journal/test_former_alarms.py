"""Alarms that had another name when they were written."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from daemon.entries import Event, Kind
from daemon.journal.event_codec import body_of
from daemon.journal.reader import Reader
from daemon.journal.writer import Writer
from tests.parts.events import facts_in
from tests.parts.numbered import event


def test_an_alarm_of_a_former_name_is_read_under_the_present_one(tmp_path: Path) -> None:
    """By every question that gives events; where it was published is told beside that."""
    named = [
        replace(event(number), body=body_of(kind, {"name": name, "what": "raised"}))
        for number, (kind, name) in enumerate(
            [
                (Kind.ALARM, "reading-stale"),
                (Kind.ALARM, "salt-low"),
                (Kind.ALARM, "reading-stale"),
                (Kind.DEVICE, "short-yield"),
            ]
        )
    ]
    with Writer(tmp_path / "journal.db") as writer:
        writer.append(named, 0.0)
    reader = Reader(tmp_path / "journal.db")
    names = ["reading-overdue", "salt-low", "reading-overdue", "short-yield"]

    assert names == [facts_in(each)["name"] for _, each in reader.events()]
    assert names[:3] == [facts_in(each)["name"] for _, each in reader.alarms()]
    assert names == [
        facts_in(each.entry)["name"] for each in reader.after(0) if isinstance(each.entry, Event)
    ]
    assert [("mix-1", "reading-stale")] == reader.former_alarms()
