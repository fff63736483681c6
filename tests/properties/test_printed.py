"""Any text that a command brings by any way in: what the verbs print of it afterwards."""

from __future__ import annotations

import json
import tempfile
from functools import cache
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.config.services import COMMANDS
from daemon.entries import JSON, Entry, Instant
from daemon.journal.checkpoint import dump, restore
from daemon.journal.command_format import BadRequestError, Request, parse
from daemon.journal.inbox import CannotBeSentError, Inbox
from daemon.journal.writer import Writer
from daemon.mixing.station.station import ReservoirSettings, Station
from daemon.page.acts.form_data import from_json, request_of
from tests.parts.every_verb import a_station as before
from tests.parts.every_verb import run_here, words_of, write_files
from tests.parts.inboxes import made
from tests.parts.people import Bench
from tests.parts.snapshots import snapshot_in
from tests.parts.stories import BATCH
from tests.parts.weights import weights

SIGNS = st.text(
    st.characters() | st.sampled_from("\n\r\x1b\x85\u2028\u202e\x9b \0,;'\"=/"), max_size=60
)
FORGED = (
    "2026-03-02 08:00:00 UTC  phase  ready: FORGED",
    "2026-03-02T08:00:00Z measure INFO FORGED",
)
LINE = st.sampled_from(["", *(f"\n{line}" for line in FORGED)])
TEXT = st.builds("".join, st.tuples(SIGNS, LINE, SIGNS))
FACTS = st.fixed_dictionaries(
    {"text": TEXT},
    optional={"name": TEXT, "lot": TEXT, "reason": TEXT, "references": TEXT, "instrument": TEXT},
)
VERBS = ("status", "batch list", "batch show", "lot list", "alarm list", "alarm show", "export")


@cache
def station() -> tuple[list[Entry], Bench, str]:
    """A station with a batch, and its state as it is kept."""
    entries, bench = before()
    return entries, bench, dump(bench.station.state)


def request_by(way: str, who: str, facts: dict[str, JSON], verb: str) -> Request | None:
    """What comes of a command by a way in; None where it is refused there."""
    plain = {"id": "c-1", "who": who, "verb": verb, "facts": facts}
    try:
        if way == "broker":
            body = json.dumps(plain).encode()
            return parse(body, len(body), COMMANDS, "mqtt.commands")
        if way == "page":
            body = json.dumps({**plain, "reservoir": "mix-1"}).encode()
            return request_of(from_json(body), COMMANDS, ("mix-1",))[0]
    except BadRequestError:
        return None
    return Request("c-1", verb, who, facts)


@given(
    way=st.sampled_from(["inbox", "page", "broker"]),
    who=st.one_of(st.just("kim"), TEXT),
    facts=FACTS,
    verb=st.sampled_from(["batch.note", "lot.add", "alarm.shelve", "calibrate.start"]),
    more=st.dictionaries(TEXT, TEXT, max_size=1),
)
@settings(max_examples=25)
def test_nothing_of_a_command_is_printed_raw(
    way: str, who: str, facts: dict[str, JSON], verb: str, more: dict[str, JSON]
) -> None:
    """Every line of every verb can be printed, and none begins as one of ours."""
    request = request_by(way, who, {**facts, **more}, verb)
    if request is None:
        return
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        config = write_files(folder, folder / "journal.db")
        try:
            send(made(folder / "journal.db"), request, way)
        except CannotBeSentError:
            return
        carry_out(folder / "journal.db")
        for each in VERBS:
            found = run_here(words_of(each, config, folder, station()[0]))
            lines = (found.out + found.err).split("\n")

            assert [] == [line for line in lines if not line.isprintable()]
            assert [] == [line for line in lines if line.startswith(FORGED)]


def send(inbox: Inbox, request: Request, way: str) -> None:
    """Put a command into the inbox as page and broker do."""
    via = {"broker": "mqtt"}.get(way, way)
    inbox.submit(request.id, request.who or via, via, request.verb, "mix-1", request.facts)


def carry_out(journal: Path) -> None:
    """Take what waits and write what follows from it, as measuring does."""
    entries, bench, kept = station()
    own = Station({"mix-1": ReservoirSettings("mix-1", BATCH)}, weights(), restore(kept))
    at = Instant(bench.story.wall, bench.story.t_s, bench.story.boot)
    said = [entry for each in made(journal).after(0) for entry in own.advance(each.command(at))]
    assert said
    pictures = {place: snapshot_in(own, place, at) for place in ("", "mix-1")}
    with Writer(journal) as writer:
        writer.append([*entries, *said], 0.0, pictures, dump(own.state))
