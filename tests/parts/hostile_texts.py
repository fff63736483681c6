"""A station whose every text is hostile: lines that look like ours, escapes, signs of direction."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from daemon.entries import JSON, Command, Entry, Event, Instant, Reading
from daemon.journal.event_codec import body_of
from daemon.mixing.batch.lots import Lot
from tests.parts.events import facts_in
from tests.parts.every_verb import Output, a_station
from tests.parts.people import Bench

FORGED = (
    "2026-03-02 08:00:00 UTC  phase        ready: FORGED",
    "2026-03-02T08:00:00Z measure INFO FORGED",
    "mix-1-20260302-1  ready  34.00 FORGED",
    "brinewright: FORGED",
    "released     FORGED",
)
"""Lines as a listing, the log, a table and a complaint have them."""
HOSTILE = "\u2028".join(
    (
        "\n".join(("x\x1b[2J\u202e", *FORGED)),
        "\r".join(FORGED),
        "\x85".join(FORGED),
        "\x0b\x1b[1A\x1b]0;title\x07\x9b31m\u202egnorw\u2066\u200b\x7f\t\x00\U000e0041",
    )
)
HALF = f"{HOSTILE}\ud83d"
"""With half of a letter, which JSON can say and a terminal cannot."""
WORD = "x\n" + "\n".join(FORGED[:3]) + "\x1b[2J\u202e\x85\u2028\t"
"""As much of that as the inbox takes for the name of a person or of a verb."""
TEXTS = {
    *("advice", "answer", "by", "cause", "facts", "fault", "how", "id", "instrument", "lot"),
    *("reason", "reasons", "says", "sentences", "text", "verb", "way_on", "who", "why"),
}
"""Facts that hold words; of a record of calibration too."""


def spoilt(value: JSON, key: str = "", ending: str = HALF) -> JSON:
    """A fact with something hostile behind each text in it."""
    if isinstance(value, dict):
        return {name: spoilt(each, name, ending) for name, each in value.items()}
    if isinstance(value, list):
        return [spoilt(each, key, ending) for each in value]
    return value + ending if isinstance(value, str) and key in TEXTS - {"id"} else value


def hostile_station() -> tuple[list[Entry], Bench, dict[str, JSON]]:
    """All entries of a station, the station since, and its picture."""
    entries, bench = a_station()
    entries += [entry for command in commands(bench) for entry in bench.station.advance(command)]
    bench.story.silence(15)
    said = [replace(each, fault=HALF, spoken=HALF) for each in bench.story.samples]
    bench.story.samples = [replace(each, fault=HOSTILE) for each in said]
    entries += bench.run()
    bench.station.state.lots["evil"] = Lot(HOSTILE, HOSTILE, 20_000.0, 100.0)
    picture = spoilt(bench.snapshot)
    assert isinstance(picture, dict)
    return [worse(each) for each in entries], bench, picture


def worse(entry: Entry) -> Entry:
    """An entry with hostile texts, so far as a journal can hold them."""
    if isinstance(entry, Reading):
        return replace(entry, fault=HOSTILE, spoken=HOSTILE) if entry.fault else entry
    facts = spoilt(dict(facts_in(entry)))
    assert isinstance(facts, dict)
    return replace(entry, body=body_of(entry.kind, facts))


def commands(bench: Bench) -> list[Command]:
    """What a hostile person asks, by whatever way in."""
    at = Instant(bench.story.wall, bench.story.t_s, bench.story.boot)
    asked: list[tuple[str, str, Mapping[str, JSON]]] = [
        ("batch.note", "mix-1", {"text": HALF[:400]}),
        ("batch.note", "mix-1", {"text": "first line\nsecond line"}),
        ("batch.reading", "mix-1", {"salinity": 31.5, "instrument": "x\x1b[2J\n"}),
        ("lot.add", "", {"name": "y\n\x1b[2J\u202e", "number": "\u202ez", "opened_on": "\x9b"}),
        ("lot.add", "", {"name": HALF}),
        ("alarm.acknowledge", "mix-1", {"name": "batch-off-target"}),
        ("alarm.shelve", "mix-1", {"name": "batch-off-target", "hours": 1, "reason": HALF[:300]}),
        ("alarm.remove-from-service", "", {"name": "salt-low", "reason": HALF[:300]}),
        (WORD, "mix-1", {HALF: HALF, "batch": HALF}),
        ("batch.use", WORD, {}),
        ("calibrate.start", "mix-1", {"references": HALF, "probe": HALF}),
        ("calibrate.check", "mix-1", {"references": f"table name='{HOSTILE}' values=20:48,30:57"}),
    ]
    return [
        Command(f"{number}{WORD[:190]}", at, WORD, "page", verb, where, facts, number)
        for number, (verb, where, facts) in enumerate(asked, start=10)
    ]


def raw(told: Output) -> list[str]:
    """Lines that hold what cannot be printed, or begin as one of ours that was forged."""
    return [
        line
        for stream in (told.out, told.err)
        for line in stream.split("\n")
        if not line.isprintable() or line.startswith(FORGED)
    ]


def events_of(entries: list[Entry]) -> list[Event]:
    """The events among entries."""
    return [each for each in entries if isinstance(each, Event)]
