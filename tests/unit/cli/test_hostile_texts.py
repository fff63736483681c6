"""Texts from page, broker, instrument and configuration leave every verb printable and in place."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest

from daemon.cli import calibrate_guide, command_client, watch
from daemon.cli.calibrate_guide import Guide
from daemon.cli.command_client import CommandReply
from daemon.cli.output import json_line, table
from daemon.config import load
from daemon.entries import JSON, Entry, Event, Instant, Kind
from daemon.journal.checkpoint import dump
from daemon.journal.event_codec import body_of
from daemon.journal.reader import Reader, Stored
from daemon.journal.writer import Writer
from daemon.publishing.notify.formatter import Formatter
from daemon.publishing.notify.notice import notice_of
from daemon.publishing.notify.policy import Notification, NotificationKind, QueuedChange
from daemon.reports.export_rows import Dataset, ExportFormat, write
from tests.parts.events import facts_in
from tests.parts.every_verb import (
    LINES,
    READING,
    Output,
    back_up,
    run_each,
    run_here,
    words_of,
    write_files,
)
from tests.parts.hostile_texts import (
    FORGED,
    HALF,
    HOSTILE,
    commands,
    events_of,
    hostile_station,
    raw,
)
from tests.parts.inboxes import NOW, made
from tests.parts.people import Bench
from tests.parts.snapshots import snapshot_in

station: Callable[[], tuple[list[Entry], Bench, dict[str, JSON]]] = cache(hostile_station)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a configuration, a recording, and a journal in which every text is hostile."""
    entries, bench, picture = station()
    at = Instant(bench.story.wall, bench.story.t_s, bench.story.boot)
    own = snapshot_in(bench.station, "", at)
    with Writer(tmp_path / "journal.db") as writer:
        writer.append(entries, 0.0, {"": own, "mix-1": picture}, dump(bench.station.state))
    made(tmp_path / "journal.db")
    config = write_files(tmp_path, tmp_path / "journal.db")
    back_up(config, tmp_path)
    with (tmp_path / "recording.csv").open("a", newline="") as recording:
        recording.write(
            f'2026-03-02T09:00:00Z,"{HOSTILE}",24\n{HOSTILE},1,2\n\x1b[2J,\u202e,\x00\n'
        )
    monkeypatch.setenv("LOGNAME", HOSTILE[:100].replace("\0", ""))
    # All events are new to the live view, and are printed above it.
    monkeypatch.setattr(watch, "_start", lambda _: 0)
    return tmp_path


def lines_of(folder: Path) -> dict[str, list[str]]:
    """The command line of every verb, and more ways in which the reading ones print."""
    config = folder / "brinewright.toml"
    plain = {verb: words_of(verb, config, folder, station()[0]) for verb in LINES}
    plain["alarm test"].append("--json")
    also = {
        f"{verb} --json": [*words, "--json"]
        for verb, words in plain.items()
        if verb in READING - {"export", "batch sheet", "calibrate report"}
    }
    export = plain["export"]
    also |= {
        f"export {what} {shape}": [export[0], what, *export[2:], "--format", shape]
        for what in ("readings", "events", "batches", "summaries")
        for shape in ("csv", "jsonl")
    }
    also["watch"] = [*plain["status"], "--watch"]
    also["until ready"] = [*plain["status"], "--watch", "--until-ready", "--within=-1"]
    also["whole catalogue"] = [*plain["alarm catalogue"], "--whole"]
    return plain | also


def test_nothing_leaves_any_verb_raw(folder: Path) -> None:
    """Every line of both streams can be printed, and none begins as a forged one does."""
    found = run_each(lines_of(folder))
    shown = {name for name, each in found.items() if "FORGED" in each.out + each.err}

    assert {} == {name: raw(each) for name, each in found.items() if raw(each)}
    assert [] == [name for name, each in found.items() if "Traceback" in each.err]
    assert {
        *("batch show", "batch show --json", "status", "status --json", "watch", "until ready"),
        *("lot list", "lot list --json", "alarm list", "alarm list --json", "alarm show"),
        *("calibrate list --json", "calibrate show", "calibrate show --json", "replay"),
        *("export readings csv", "export readings jsonl", "export events csv"),
        *("export events jsonl",),
    } <= shown


def test_json_says_what_the_journal_holds(folder: Path) -> None:
    """An escape in JSON is the sign itself to whoever reads it."""
    found = run_each({"show": lines_of(folder)["batch show --json"]})["show"]
    notes = [
        each["text"]
        for each in json.loads(found.out)["events"]
        if each["kind"] == "command" and each.get("verb", "").startswith("batch.note")
    ]

    assert HALF[:400] + HALF in notes


def test_a_note_of_two_lines_is_two_lines_to_the_right(folder: Path) -> None:
    """Readable as it was typed; at the left edge stands an event and nothing else."""
    found = run_each({"show": lines_of(folder)["batch show"]})["show"]
    lines = found.out.split("\n")
    (at,) = [number for number, line in enumerate(lines) if "second line" in line]

    assert lines[at].startswith(" " * 37)
    assert lines[at - 1].endswith(("first line", " line"))


@pytest.mark.parametrize(
    "verb, file", [("batch sheet", "batch.html"), ("calibrate report", "record.html")]
)
def test_pages_to_print_hold_nothing_that_turns_them(folder: Path, verb: str, file: str) -> None:
    """No control, no sign of direction, and no markup of the text's own."""
    assert 0 == run_each({verb: lines_of(folder)[verb]})[verb].code
    page = (folder / file).read_text(encoding="utf-8")

    assert [] == [line for line in page.split("\n") if not line.isprintable()]
    assert "FORGED" in page


@pytest.mark.parametrize("what", ["readings", "events"])
def test_a_row_of_a_csv_is_a_line_of_it(folder: Path, what: str) -> None:
    """Whoever counts lines, or reads them one by one, finds an entry in each."""
    found = run_each({what: lines_of(folder)[f"export {what} csv"]})[what]
    rows = list(csv.reader(io.StringIO(found.out)))

    assert len(rows) == len(found.out.splitlines())
    assert {len(rows[0])} == {len(row) for row in rows}


@pytest.mark.parametrize(
    "text, cell",
    [
        ("=HYPERLINK(1)", "'=HYPERLINK(1)"),
        ("+1", "'+1"),
        ("-1", "'-1"),
        ("@x", "'@x"),
        ("\t=1", r"\t=1"),
        ("mix-1", "mix-1"),
        (-1.5, "-1.5"),
        (None, ""),
    ],
)
def test_no_text_of_a_csv_is_a_formula(text: JSON, cell: str) -> None:
    """A spreadsheet shows what is there; a number below zero stays a number."""
    out = io.StringIO()
    write([{"fault": text}], Dataset.READINGS, ExportFormat.CSV, out)
    (row,) = csv.DictReader(io.StringIO(out.getvalue()))

    assert cell == row["fault"]


@pytest.mark.parametrize(
    "words",
    [
        [HOSTILE],
        ["batch", HOSTILE],
        ["batch", "show", HOSTILE],
        ["lot", "show", HOSTILE],
        ["calibrate", "show", HOSTILE],
        ["calibrate", "report", HOSTILE],
        ["alarm", "show", HOSTILE],
        ["alarm", "ack", HOSTILE],
        ["status", "--reservoir", HOSTILE],
        ["status", f"--{HOSTILE}"],
        ["replay", HOSTILE.replace("\0", "")],
        ["export", HOSTILE],
        ["export", "--from", HOSTILE],
        ["export", "--calibration", HOSTILE],
        ["plan", "--volume", HOSTILE, "--target", "33"],
        ["plan", "--volume", "1", "--target", "33", "--lot", HOSTILE],
        ["status", "--config", HOSTILE.replace("\0", "")],
        ["status", "--config", HOSTILE],
    ],
    ids=lambda words: " ".join(words)[:24].split("\n")[0],
)
def test_what_was_typed_comes_back_on_one_line(
    folder: Path, monkeypatch: pytest.MonkeyPatch, words: list[str]
) -> None:
    """A name of a file, of a batch or of a verb, in the sentence that says it is none."""
    monkeypatch.chdir(folder)
    found = run_here(words)

    assert 0 != found.code
    assert [] == raw(found)
    assert 1 == len(found.sentences)


def test_a_configuration_comes_back_on_one_line_for_each_fault(folder: Path) -> None:
    """Its keys, its values, and the name of its folder."""
    place = folder / HOSTILE.replace("\0", "").replace("/", "")[:100]
    place.mkdir()
    name = json.dumps(HOSTILE[:60])
    (place / "x.toml").write_text(f"{name} = {name}\n[station]\nname = {name}\n{name} = 1\n")
    found = run_here(["status", "--config", str(place / "x.toml")])

    assert (78, []) == (found.code, raw(found))
    assert 3 <= len(found.sentences)


def an_event(**facts: JSON) -> Event:
    """An event of the routine that a keeper follows."""
    return Event("mix-1", NOW, "", body_of(Kind.CALIBRATION, {"probe": "ct-1", **facts}))


class OneByOne:
    """A journal that tells an event at each look."""

    def __init__(self, *events: Event) -> None:
        """Keep them."""
        self._left = list(events)

    def last_seq(self) -> int:
        """Nothing so far."""
        return 0

    def after(self, seq: int, _: int) -> list[Stored]:
        """The next one."""
        return [Stored(seq + 1, self._left.pop(0))] if self._left else []


def test_the_routine_of_calibration_prints_nothing_raw(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """What it says to the keeper, and what it answers."""
    journal = OneByOne(
        an_event(what="say", text=HALF, way_on=HALF, step="rinse"),
        an_event(what="returned", text=HALF),
    )
    done = CommandReply("1", "mix-1", None, ok=True, answer=HALF)
    monkeypatch.setattr(calibrate_guide, "journal_of", lambda _: journal)
    monkeypatch.setattr(calibrate_guide, "send", lambda *_: done)
    Guide(load(folder / "brinewright.toml"), "mix-1", "ct-1", unattended=True).run("x", {})
    found = Output(0, *capsys.readouterr())

    assert [] == raw(found)
    assert 2 <= found.out.count("gnorw")


@pytest.mark.parametrize("ok", [True, False])
@pytest.mark.parametrize("verb", ["batch note", "lot add", "alarm ack"])
def test_an_answer_is_one_line(
    folder: Path, monkeypatch: pytest.MonkeyPatch, verb: str, *, ok: bool
) -> None:
    """Done or refused, as text and as JSON."""
    result = CommandReply(HALF, "mix-1", HALF, ok, HALF)
    monkeypatch.setattr(command_client, "_await", lambda *_: result)
    words = lines_of(folder)[verb]
    for each in (run_here(words), run_here([*words, "--json"])):
        assert ([], 1) == (raw(each), len((each.out + each.err).splitlines()))
        assert "FORGED" in each.out + each.err


def test_a_message_to_people_holds_no_line_from_outside() -> None:
    """Who acknowledged it and why it was raised; a title is one line."""
    facts = {"name": HALF, "state": "acknowledged", "who": HALF, "why": HALF, "priority": "high"}
    raised = notice_of(
        Stored(1, Event(HALF, NOW, "", body_of(Kind.ALARM, {**facts, "state": "raised"})))
    )
    since = notice_of(Stored(2, Event(HALF, NOW, "", body_of(Kind.ALARM, facts))))
    assert raised is not None
    item = QueuedChange(raised, NOW.wall, since)
    message = Notification(NotificationKind.CHANGE, (item, item))
    formatter = Formatter("quarantine-wing")
    title, body = formatter.title(message, NOW.wall), formatter.body(message, NOW.wall)

    assert title.isprintable()
    assert [] == raw(Output(0, body, ""))


def test_a_table_has_a_row_for_each_row() -> None:
    """A cell cannot begin another one."""
    shown = table([("a", HALF), (HALF, "b")], ("one", "two"))

    assert [] == raw(Output(0, shown, ""))
    assert 1 == len([line for line in shown.split("\n") if line.startswith("a ")])


def test_json_of_the_command_line_can_be_read_by_any_reader() -> None:
    """The same text comes back, and the line can be written to any terminal."""
    line = json_line({"text": HALF, HALF: [HALF]})

    assert {"text": HALF, HALF: [HALF]} == json.loads(line)
    assert line.isprintable()


def test_the_hostile_station_is_one(folder: Path) -> None:
    """What is looked for in the output is in the journal, in every kind that holds words."""
    kinds = {
        event.kind
        for _, event in Reader(folder / "journal.db").events()
        if "FORGED" in json.dumps(dict(facts_in(event)))
    }

    assert {Kind.COMMAND, Kind.ALARM, Kind.DEVICE, Kind.ADVICE, Kind.CALIBRATION} <= kinds
    assert events_of(station()[0])
    assert commands(station()[1])
    assert replace(NOW) == NOW
    assert all(line in HOSTILE for line in FORGED)
