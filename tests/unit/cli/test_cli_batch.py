"""`brinewright batch`: what the journal knows of batches."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from daemon.cli.main import invoke
from daemon.entries import Event
from daemon.journal.reader import Reader
from daemon.journal.writer import Writer
from tests.parts.stories import a_station, mixed
from tests.unit.cli.test_cli_replay import CONFIG


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a configuration, and no journal yet."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "brinewright.toml").write_text(CONFIG)
    return tmp_path


@pytest.fixture
def known(folder: Path) -> Path:
    """The same with a journal of one batch used and one begun."""
    entries = mixed().refilled().dissolve(34.0, 4).play(a_station())
    with Writer(folder / "configured.db") as writer:
        writer.append(entries, 0.0, {}, None)
    return folder


def test_batches_are_listed_the_newest_first(
    known: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Id, phase or end, salinity with its spread, and when it began."""
    assert 0 == invoke(["batch", "list"])
    heading, new, old = capsys.readouterr().out.splitlines()

    assert "batch status salinity, ± with k=2 began" == " ".join(heading.split())
    assert ["mix-1-20260302-2", "dissolving", "2026-03-02"] == new.split()[:3]
    assert ["mix-1-20260302-1", "used", "34.00", "±"] == old.split()[:4]
    assert float(old.split()[4]) == pytest.approx(0.43, abs=0.011)
    assert max(map(len, (heading, new, old))) <= 80


def test_a_list_in_json_is_one_object_a_line(
    known: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """With the names that a script relies on."""
    assert 0 == invoke(["batch", "list", "--json"])
    new, old = map(json.loads, capsys.readouterr().out.splitlines())

    assert ("mix-1-20260302-2", None) == (new["batch"], new["ended"])
    assert ("mix-1-20260302-1", "used") == (old["batch"], old["phase"])
    assert old["began"] < old["salted"] < old["stabilised"] <= old["released"] < old["ended"]


def test_one_batch_is_shown_with_all_that_happened(
    known: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A sheet that fits the screen, without the forecasts."""
    assert 0 == invoke(["batch", "show", "mix-1-20260302-1"])
    lines = capsys.readouterr().out.splitlines()

    assert max(map(len, lines)) <= 80
    assert any(line.startswith("released") for line in lines)
    assert any("ended: used (seen refilled)" in line for line in lines)
    assert any(line.startswith("salinity") and "ppt (k=2)" in line for line in lines)
    assert not any("forecast" in line for line in lines)


def test_one_batch_in_json_has_its_events(known: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One object, with the events as replay prints them."""
    assert 0 == invoke(["batch", "show", "mix-1-20260302-1", "--json"])
    shown = json.loads(capsys.readouterr().out)

    assert "used" == shown["phase"]
    assert {"mix-1-20260302-1"} == {event["batch"] for event in shown["events"]}
    assert "stabilised" in {event["kind"] for event in shown["events"]}


@pytest.mark.parametrize(
    "words, code, said",
    [
        (["list", "--reservoir", "mix-9"], 1, "there is no batch yet"),
        (["show", "mix-1-20260302-9"], 1, "there is no batch 'mix-1-20260302-9'"),
        (["show"], 2, "Missing argument 'name'"),
    ],
)
def test_what_is_not_known_is_a_sentence(
    known: Path, capsys: pytest.CaptureFixture[str], words: list[str], code: int, said: str
) -> None:
    """And where to look."""
    assert code == invoke(["batch", *words])
    assert said in capsys.readouterr().err


@pytest.mark.parametrize("words", [["list"], ["show", "x"]])
def test_without_a_journal_the_service_is_missed(
    folder: Path, capsys: pytest.CaptureFixture[str], words: list[str]
) -> None:
    """69, one sentence, and no journal is made by looking."""
    assert 69 == invoke(["batch", *words])
    assert 1 == len(capsys.readouterr().err.splitlines())
    assert not (folder / "configured.db").exists()


def test_a_file_that_is_no_journal_is_a_sentence(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Not a traceback of a database: the path in the configuration is wrong."""
    (folder / "configured.db").write_bytes(b"precious " * 1000)

    assert 78 == invoke(["batch", "list"])
    assert 1 == len(capsys.readouterr().err.splitlines())


def test_one_batch_is_read_without_the_events_of_the_others(
    known: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is shown or printed of a batch does not take longer with each further one."""
    of: list[str | None] = []
    read = Reader.events

    def noted(self: Reader, batch: str | None = None) -> list[tuple[int, Event]]:
        of.append(batch)
        return read(self, batch)

    monkeypatch.setattr(Reader, "events", noted)
    assert 0 == invoke(["batch", "show", "mix-1-20260302-1"])
    assert 0 == invoke(["batch", "sheet", "mix-1-20260302-1"])
    assert {"mix-1-20260302-1"} == set(of)


@pytest.mark.parametrize(
    "zone, began", [("Europe/Berlin", "2026-03-02 09:"), ("Pacific/Chatham", "2026-03-02 21:")]
)
def test_a_person_reads_local_time_and_a_program_utc(
    known: Path, capsys: pytest.CaptureFixture[str], zone: str, began: str
) -> None:
    """The zone is named beside each time; JSON and CSV stay as they are."""
    config = known / "brinewright.toml"
    config.write_text(CONFIG.replace('wing"\n', f'wing"\ntimezone = "{zone}"\n', 1))
    mark = "CET" if zone == "Europe/Berlin" else "UTC+13:45"
    for words in (["list"], ["show", "mix-1-20260302-1"]):
        assert 0 == invoke(["batch", *words])
        out = capsys.readouterr().out
        assert began in out
        assert mark in out
        assert max(map(len, out.splitlines())) <= 80
    assert 0 == invoke(["batch", "sheet", "mix-1-20260302-1", "--force"])
    sheet = (known / "mix-1-20260302-1.html").read_text(encoding="utf-8")
    assert began in sheet
    assert f"time in {mark}<" in sheet
    capsys.readouterr()
    assert 0 == invoke(["batch", "list", "--json"])
    (*_, old) = map(json.loads, capsys.readouterr().out.splitlines())
    assert old["began"].startswith("2026-03-02T08:")
    assert 0 == invoke(["export", "events"])
    assert "2026-03-02T08:" in capsys.readouterr().out.splitlines()[1]
