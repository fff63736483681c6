"""A station whose every name and note is markup that would run, if a page took it for its own."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from daemon.entries import JSON, Command, Entry, Instant, Kind, Reading
from daemon.journal.checkpoint import dump
from daemon.journal.event_codec import body_of
from daemon.journal.writer import Writer
from tests.parts.events import facts_in
from tests.parts.every_verb import a_station
from tests.parts.hostile_texts import spoilt
from tests.parts.people import Bench
from tests.parts.snapshots import snapshot_in
from tests.parts.stories import of

NAME = "<b id=hostile>x</b>"
"""Short enough for every name."""
TEXT = (
    "\"'><img id=hostile src=/gone.png onerror=alert(1)><script id=hostile>alert(2)</script>"
    "<svg id=hostile onload=alert(3)></svg></script></style></title></textarea>"
    f"{{{{ 7 * 7 }}}}${{alert(4)}}<a id=hostile href='javascript:alert(5)'>{NAME}</a>"
)
"""Ends whatever it may stand in, then tries to run: attribute, element, template, link."""
LABEL = "<script id=hostile>alert(6)</script>"
SAID: tuple[tuple[str, str, dict[str, JSON]], ...] = (
    ("batch.note", "mix-1", {"text": TEXT}),
    ("lot.add", "", {"name": NAME, "number": NAME}),
    ("batch.start", "mix-1", {"mass_g": 7240.0, "volume_l": 180.0, "lot": NAME}),
    ("batch.reading", "mix-1", {"salinity": 31.5, "instrument": NAME}),
    ("alarm.shelve", "mix-1", {"name": "batch-off-target", "hours": 1.0, "reason": TEXT}),
    ("alarm.remove-from-service", "", {"name": "storage-low", "reason": TEXT}),
    (NAME, "mix-1", {NAME: TEXT}),
)


def write_hostile_station(journal: Path) -> str:
    """Write its journal; return the name of its batch."""
    entries, bench = a_station()
    for number, (verb, where, facts) in enumerate(SAID, start=10):
        at = Instant(bench.story.wall, bench.story.t_s, bench.story.boot)
        command = Command(f"h-{number}", at, NAME, "page", verb, where, facts, number=number)
        entries += bench.station.advance(command)
    bench.story.silence(15)
    bench.story.samples = [replace(each, fault=TEXT, spoken=TEXT) for each in bench.story.samples]
    entries += bench.run()
    snapshots = {name: spoilt(_snapshot(bench, name), ending=TEXT) for name in ("", "mix-1")}
    with Writer(journal) as writer:
        writer.append(
            [_marked(each) for each in entries], 0.0, snapshots, dump(bench.station.state)
        )
    return next(each.batch for each in of(entries, Kind.BATCH))


def _snapshot(bench: Bench, name: str) -> dict[str, JSON]:
    at = Instant(datetime.now(UTC), bench.story.t_s, bench.story.boot)
    return snapshot_in(bench.station, name, at)


def _marked(entry: Entry) -> Entry:
    if isinstance(entry, Reading):
        return replace(entry, fault=TEXT, spoken=TEXT) if entry.fault else entry
    facts = spoilt(dict(facts_in(entry)), ending=TEXT)
    assert isinstance(facts, dict)
    return replace(entry, body=body_of(entry.kind, facts))
